"""Stage 5, write: the RESULTS folder and what is read back from it."""

from subgrade.results.model import Graded, GradedFrame
from subgrade.results.read import Session, open_results
from subgrade.results.write import write_results

__all__ = ["Graded", "GradedFrame", "Session", "open_results", "write_results"]
