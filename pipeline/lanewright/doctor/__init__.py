"""What the machine has, what is missing, and whether the pipeline works on it."""
