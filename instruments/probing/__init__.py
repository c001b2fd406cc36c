"""Learning a dialect by asking the instrument: one module each for what has to be found out."""
