"""How instruments spell the same dozen things, as data."""
