"""How discs fly: aerodynamics, the repertoire of throws, the table of flights."""
