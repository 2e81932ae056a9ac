"""What every room may use: the grid, errors, outlines, the columns of every table."""
