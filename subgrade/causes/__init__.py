"""Stage 4, judge: evidence, reasons, verdicts, weights."""
