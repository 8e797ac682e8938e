"""What every command of ingest says by its exit code."""

DONE, FAULTS, USAGE, REFUSED, NOT_THERE = range(5)
"""Done; done but faults found; usage; input refused; database or broker not there (or not fit)."""
