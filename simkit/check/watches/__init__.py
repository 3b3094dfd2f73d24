"""What is watched while the program runs."""
