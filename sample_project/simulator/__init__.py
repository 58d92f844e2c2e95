"""A simulated survey with known truth: the site as formulas, the walk over it, and the files it leaves behind.

Nothing here is shared with the plugin: the expected positions of the readings are worked out a second time, in their
own way, so that tests can hold the plugin against them. Site, finds and people are invented; the coordinates lie in
open sea. ``walks`` and ``random_sites``, which are not imported here, walk random sites for the tests of the
corrections and hand over the plugin's own readings; ``other_laws`` draws surveys by other laws, as files with truth.
"""

from .faults import Faults, of_the_sample, usual
from .files import write_survey
from .layouts import LAYOUT_CHANNELS, layouts
from .logs import LOG_WRITERS
from .plans import Event, GridPlan, block_plans, place_on_map
from .recordings import Recording, recordings_of
from .sample import excavation_plan, sample_plans, write_sample
from .shapes import Ditch, Peak, Plane, Slab, Spot, Wave
from .site import CHANNELS, EPSG, FOOTPRINT_M, SITE, Site, sample_site, truth
from .tables import NOTE_COLUMNS, REGISTER_COLUMNS, note_rows, register_row
from .walking import SEED, SimulatedGrid, simulate_grid

__all__ = [
    "CHANNELS",
    "EPSG",
    "FOOTPRINT_M",
    "LAYOUT_CHANNELS",
    "LOG_WRITERS",
    "NOTE_COLUMNS",
    "REGISTER_COLUMNS",
    "SEED",
    "SITE",
    "Ditch",
    "Event",
    "Faults",
    "GridPlan",
    "Peak",
    "Plane",
    "Recording",
    "SimulatedGrid",
    "Site",
    "Slab",
    "Spot",
    "Wave",
    "block_plans",
    "excavation_plan",
    "layouts",
    "note_rows",
    "of_the_sample",
    "place_on_map",
    "recordings_of",
    "register_row",
    "sample_plans",
    "sample_site",
    "simulate_grid",
    "truth",
    "usual",
    "write_sample",
    "write_survey",
]
