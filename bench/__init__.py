"""The set-up job around the readings: geometry, mechanics, steps, verdicts, log, report."""
