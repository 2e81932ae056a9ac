"""What grows there: columns, canopy, trees, wires, lanes and openings."""
