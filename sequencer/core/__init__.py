"""Pure numerics: arrays and frozen dataclasses in and out, nothing else."""
