"""How instruments spell the same dozen things, as data: one YAML file a dialect, and their strict loader."""

from instruments.dialects.choosing import choose
from instruments.dialects.limits import capabilities_of, stated_capabilities
from instruments.dialects.loader import load, names, of_bench, parse
from instruments.dialects.model import SETTINGS, Averaging, Completion, Dialect, Setting, TraceFormat

__all__ = [
    "SETTINGS",
    "Averaging",
    "Completion",
    "Dialect",
    "Setting",
    "TraceFormat",
    "capabilities_of",
    "choose",
    "load",
    "names",
    "of_bench",
    "parse",
    "stated_capabilities",
]
