"""Text formats of the archive: text in, dataclasses out, no files."""
