"""The walk on the land: outings, what to check there, cautions."""
