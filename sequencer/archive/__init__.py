"""Run folders, their integrity and look-up."""
