"""ROM content: images, labels, listings."""
