"""Many parcels side by side: each scouted in a folder of its own, all in one ranking."""
