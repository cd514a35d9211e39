"""Show: the night as one page that opens from disk with no network.

>>> from subgrade.report import write_report
>>> write_report(graded, "subgrade_results")  # doctest: +SKIP
"""

from subgrade.report.page import FILE, ReviewedPage, report_page, reviewed_page, write_report
from subgrade.report.page_values import changed_frame, changed_record
from subgrade.report.self_contained import filled, json_block, one_script, page_part, policy

__all__ = [
    "FILE",
    "ReviewedPage",
    "changed_frame",
    "changed_record",
    "filled",
    "json_block",
    "one_script",
    "page_part",
    "policy",
    "report_page",
    "reviewed_page",
    "write_report",
]
