"""Public lidar by boundary: found in catalogues and fetched. No stage of a run imports it."""
