"""What the land offers a designer, before any hole: found, named and ranked."""
