"""Finished stage results on disk by key, and what a run wrote into its out folder."""

from lanewright.store.files import Damaged, writable
from lanewright.store.meter import Meter
from lanewright.store.steps import Store, Timing, Until, stage
from lanewright.store.written import Written

__all__ = ["Damaged", "Meter", "Store", "Timing", "Until", "Written", "stage", "writable"]
