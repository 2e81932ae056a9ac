import os
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]


@pytest.fixture(scope="session")
def real_data() -> Path:
    """Folder of open lidar and elevation data; not part of the project."""
    folder = Path(os.environ.get("LANEWRIGHT_DATA", ROOT.parent / "shared" / "data"))
    if not (folder / "bcts-12").is_dir():
        pytest.skip(f"no open data folder at {folder}; set LANEWRIGHT_DATA to run this test")
    return folder
