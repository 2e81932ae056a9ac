"""One page to read at home and talk over: made from a run's results, needs no network."""

from lanewright.publish.report.findings import Findings
from lanewright.publish.report.gather import findings_of
from lanewright.publish.report.page import VERSION, build_report, write_report

__all__ = ["VERSION", "Findings", "build_report", "findings_of", "write_report"]
