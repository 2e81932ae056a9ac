"""One page to read at home and talk over: made from a run's results, needs no network."""

from lanewright.publish.report.page import VERSION, build_report, write_report

__all__ = ["VERSION", "build_report", "write_report"]
