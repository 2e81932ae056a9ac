"""`python -m lanewright`."""

from lanewright.cli import main

main()
