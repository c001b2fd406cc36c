"""What a person types at the bench: one line, of keys pressed after the prompt."""

from __future__ import annotations

from typing import TextIO

__all__ = ["forget_typed_ahead"]


def forget_typed_ahead(inp: TextIO) -> None:
    """Drop keys pressed before the prompt: an impatient Enter, or a yes, must not answer what nobody has read."""
    try:
        import termios  # not on every system

        if inp.isatty():
            termios.tcflush(inp.fileno(), termios.TCIFLUSH)
    except (ImportError, OSError, ValueError):
        return  # no such terminal: what was typed ahead counts
