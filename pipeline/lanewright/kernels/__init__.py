"""Compiled loops over plain arrays: no files, no settings, no opinions."""
