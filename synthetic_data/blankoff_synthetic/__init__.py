"""An invented contractor: evacuations simulated forward from physics, and whole fleets of them.

Nothing here imports blankoff. All people, places, equipment and data are made up.

`simulate` runs one evacuation; `make_fleet` writes a whole fleet folder with its
truth beside it; `draw_case` draws a single evacuation whose right answer is clear.
"""

from .clear_cases import KINDS, JobInfo, draw_case
from .parts import Break, Circuit, Gauge, Idle, Isolate, Pool, Procedure, Pull, Pump, Requirement, Rig
from .single import simulate

__all__ = [
    "KINDS",
    "Break",
    "Circuit",
    "Gauge",
    "Idle",
    "Isolate",
    "JobInfo",
    "Pool",
    "Procedure",
    "Pull",
    "Pump",
    "Requirement",
    "Rig",
    "draw_case",
    "simulate",
]
