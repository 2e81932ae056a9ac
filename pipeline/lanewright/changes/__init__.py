"""What changed between two surveys of one property."""
