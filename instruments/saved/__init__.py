"""Traces saved by an instrument, in place of sweeps: for benches without remote control."""
