"""What is written for a person to load."""
