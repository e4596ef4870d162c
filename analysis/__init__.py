"""Pure computation on arrays and frozen dataclasses, plus `run`, which carries it out over the store."""
