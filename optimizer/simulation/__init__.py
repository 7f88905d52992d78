"""A simulated physical deck for the demo and for benchmarks, whose true response is known.

``Deck.run`` returns true recovery and grade, ``Deck.measure`` returns the readings of a log, and
``attainable`` returns the true optimum. Recommendations never use this package: only the demo, the
benchmarks and the tests may import it.
"""

from optimizer.simulation.cases import (
    FAMILIES,
    coffee,
    demo_deck,
    demo_material,
    random_deck,
    random_material,
)
from optimizer.simulation.deck import Deck, Material, Measurement, Response
from optimizer.simulation.optimum import Optimum, attainable, demanding_grade
from optimizer.simulation.physics import Laws

__all__ = [
    "FAMILIES",
    "Deck",
    "Laws",
    "Material",
    "Measurement",
    "Optimum",
    "Response",
    "attainable",
    "coffee",
    "demanding_grade",
    "demo_deck",
    "demo_material",
    "random_deck",
    "random_material",
]
