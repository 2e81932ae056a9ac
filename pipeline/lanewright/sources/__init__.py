"""Readers: files in, our types out."""
