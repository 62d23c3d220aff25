"""A simulated rover, built from the same rover file as the guard (extra ``sim``).

What it has: a sprung chassis, four wheels on hinges, Ackermann or skid steering, one motor
with a linear torque-speed curve through ideal open differentials, servo brakes, tyres that
creep under load and keep less grip when they slide, ground by height and friction, and
sensors with noise, bias, drift, vibration, delay, quantisation and faults.

What it leaves out, and a real rover has: backlash and friction in the driveline, tyres that
sink in or deform, a belly that touches the ground, suspension arms (wheels move straight up and
down), brakes that fade, a battery that sags. Turning the wheels on their pivots takes no force.
Each wheel touches the ground in one place.

Start with ``make("twister", seed=1)``, ``run(scenario, DEMO_ROVER, seed=1)`` and
``summarise(drive)``; copy a function from ``scenarios/`` to make your own.
"""

from slipguard.errors import SIMULATOR_NEEDED

try:
    import mujoco  # noqa: F401
except ModuleNotFoundError as err:
    raise ModuleNotFoundError(SIMULATOR_NEEDED, name=err.name) from err

from slipguard.simulate.drive import Drive, Helper, run
from slipguard.simulate.labels import Label, label_drive
from slipguard.simulate.outcome import Outcome, summarise
from slipguard.simulate.plant import Plant
from slipguard.simulate.scenario import DEMO_ROVER, DEMO_ROVER_YAML, Scenario
from slipguard.simulate.scenarios import SCENARIOS, make
from slipguard.simulate.settings import SimSettings
from slipguard.simulate.truth import Truth
from slipguard.simulate.world import Patch, World

__all__ = [
    "DEMO_ROVER",
    "DEMO_ROVER_YAML",
    "SCENARIOS",
    "Drive",
    "Helper",
    "Label",
    "Outcome",
    "Patch",
    "Plant",
    "Scenario",
    "SimSettings",
    "Truth",
    "World",
    "label_drive",
    "make",
    "run",
    "summarise",
]
