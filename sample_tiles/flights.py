"""Draw flights.png anew: python sample_tiles/flights.py."""

from __future__ import annotations

from pathlib import Path

from lanewright.flight.flight import fly_throws
from lanewright.publish.flightplot import flight_figure
from lanewright.settings.flight import FlightSettings
from lanewright.settings.levels import levels_named

PICTURE = Path(__file__).with_name("flights.png")


def draw(picture: Path = PICTURE) -> None:
    """Throws of three levels in still, standard air."""
    flights = fly_throws(levels_named(("gold", "white", "green")), FlightSettings(), threads=2)
    flight_figure(flights).savefig(picture, dpi=100, facecolor="white")


if __name__ == "__main__":
    draw()
