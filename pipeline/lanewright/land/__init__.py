"""What lies there: the survey, the ground, terrain and water."""
