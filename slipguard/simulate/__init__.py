"""A simulated rover, built from the same rover YAML as the guard (extra ``sim``)."""

from slipguard.simulate.drive import Drive, Helper, run
from slipguard.simulate.labels import Label, label_drive
from slipguard.simulate.outcome import Outcome, summarise
from slipguard.simulate.plant import Plant
from slipguard.simulate.scenario import DEMO_ROVER, Scenario
from slipguard.simulate.scenarios import SCENARIOS, make
from slipguard.simulate.settings import SimSettings
from slipguard.simulate.truth import Truth
from slipguard.simulate.world import Patch, World

__all__ = [
    "DEMO_ROVER",
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
