"""Renders a record: one HTML file, CSV."""
