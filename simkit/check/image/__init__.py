"""What an image shows without being run."""
