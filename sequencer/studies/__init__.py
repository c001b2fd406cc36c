"""Runs against runs: change since a baseline, comparison, trend over the years, studies by label; pure."""
