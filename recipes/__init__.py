"""Starter recipes, shipped with the package as data."""
