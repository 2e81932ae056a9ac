"""Find where a property already holds disc golf holes, from public lidar and elevation tiles."""

__version__ = "0.1.0"
