"""Rounds: the designer's wishes, walks, what a round is worth, proposals and their check."""
