"""Write: the RESULTS folder and what is read back from it."""

from subgrade.results.appended_lines import AppendedLines, sync_folder
from subgrade.results.columns import COLUMNS, looks
from subgrade.results.command_line import quoted, shells_here, with_marks
from subgrade.results.data_frames import typed_table
from subgrade.results.file_identity import FileIdentity, file_identities
from subgrade.results.files import Staged, write_whole
from subgrade.results.guiding_record import night_rms
from subgrade.results.leading_loss import headline
from subgrade.results.measurement_cache import MeasurementCache
from subgrade.results.model import CulledFrame, Graded, GradedFrame, is_surplus
from subgrade.results.quantities import (
    decided,
    evidence_words,
    quantity_numbers,
    quantity_texts,
)
from subgrade.results.read import Session, open_results
from subgrade.results.run_notes import culled_line, every_problem, problems_parted
from subgrade.results.session import (
    frame_record,
    night_record,
    plain,
    session_record,
    totals,
    utc_now,
    verdict_values,
)
from subgrade.results.table import csv_text, header_text, spreadsheet_safe
from subgrade.results.write import open_folder, write_results

__all__ = [
    "COLUMNS",
    "AppendedLines",
    "CulledFrame",
    "FileIdentity",
    "Graded",
    "GradedFrame",
    "MeasurementCache",
    "Session",
    "Staged",
    "csv_text",
    "culled_line",
    "decided",
    "every_problem",
    "evidence_words",
    "file_identities",
    "frame_record",
    "header_text",
    "headline",
    "is_surplus",
    "looks",
    "night_record",
    "night_rms",
    "open_folder",
    "open_results",
    "plain",
    "problems_parted",
    "quantity_numbers",
    "quantity_texts",
    "quoted",
    "session_record",
    "shells_here",
    "spreadsheet_safe",
    "sync_folder",
    "totals",
    "typed_table",
    "utc_now",
    "verdict_values",
    "with_marks",
    "write_results",
    "write_whole",
]
