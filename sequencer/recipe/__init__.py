"""Recipes and bench files."""
