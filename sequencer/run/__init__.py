"""The closed loop of a run."""
