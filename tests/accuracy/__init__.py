"""How right the package is, against truth that it never sees: run on demand, each figure with its command."""
