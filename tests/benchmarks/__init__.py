"""Ours against the yardsticks, interleaved in one process-run; on demand, and a small size in the scheduled slice."""
