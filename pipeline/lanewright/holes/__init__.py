"""Holes of one to three legs: par, chains, routes, greens and the room they need."""
