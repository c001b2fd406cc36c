"""Studies over finished runs: compare, trend, harness; pure."""
