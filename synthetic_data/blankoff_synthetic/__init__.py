"""An invented contractor: evacuations simulated forward from physics, and whole fleets of them.

Nothing here imports blankoff. All people, places, equipment and data are made up.

`simulate` runs one evacuation; `make_fleet` writes a whole fleet folder with its
truth beside it; `draw_case` draws a single evacuation whose right answer is clear.
"""

from .clear_cases import KINDS, JobInfo, draw_case
from .fleet import FleetSummary, make_fleet, remove_fleet
from .parts import Break, Circuit, Gauge, Idle, Isolate, Pool, Procedure, Pull, Pump, Requirement, Rig
from .scenario import Scenario, load_scenario, shipped_scenarios
from .single import simulate

__all__ = [
    "KINDS",
    "Break",
    "Circuit",
    "FleetSummary",
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
    "Scenario",
    "draw_case",
    "load_scenario",
    "make_fleet",
    "remove_fleet",
    "shipped_scenarios",
    "simulate",
]
