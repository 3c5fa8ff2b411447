"""Judges logs of refrigeration-circuit evacuations and reports each month on a whole fleet."""
