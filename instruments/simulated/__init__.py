"""The simulated bench: its own process, reached through VISA only."""
