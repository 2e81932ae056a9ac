"""`python -m lanewright`."""

import sys
from pathlib import Path

# Python puts the current folder first; nothing that lies there is to be taken for a library.
if not sys.flags.safe_path and Path(sys.path[0]).resolve() != Path(__file__).resolve().parents[1]:
    del sys.path[0]

from lanewright.cli import main

main()
