"""Notchbook: proves a refurbished duplexer on a spectrum analyzer with tracking generator."""

__version__ = "0.1.0"
