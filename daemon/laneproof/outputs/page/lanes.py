"""A link as a bundle of strands: one strand is a lane, one knot a generation, both countable.

What is declared and missing is a dotted strand or a hollow knot; what was not declared is a broken strand
or a pale knot. Colour only repeats it, the drawing carries its words, and a legend has a sample of each.
"""

from laneproof.box.shown_positions import RateAndLanes
from laneproof.outputs.markup import Markup, tag

_LENGTH, _EDGE, _HEIGHT = 132, 6, 26
_FIRST_KNOT, _KNOT_SPACE, _KNOT_WIDTH = 16, 20, 6
_LEGEND = (
    ("there", "trained: a strand is a lane, a knot a generation"),
    ("missing", "declared and missing"),
    ("beyond", "more than declared"),
    ("unknown", "not known"),
)
_SPACES = ((4, 5.0), (8, 3.0), (99, 2.0))  # up to so many lanes -> so far apart


def draw_lanes(trained: RateAndLanes | None, declared: RateAndLanes | None) -> Markup:
    """Draw one link; None where there is none, or where it is not said what it is meant to be."""
    have = (trained.lanes or 0) if trained else 0
    want = (declared.lanes or 0) if declared else 0
    knots = (trained.generation or 0) if trained else 0
    meant = (declared.generation or 0) if declared else 0
    lanes = max(have, want, 1)
    space = next(space for most, space in _SPACES if lanes <= most)
    depth = (lanes - 1) * space
    height = max(_HEIGHT, depth + 12)
    top = (height - depth) / 2
    words = describe_link(trained, declared)
    drawn: dict[str, str] = {}  # one path for all strands, or knots, of one state: a page may show many links
    for number in range(lanes):
        state = _state(number, have=have, want=want, is_known=trained is None or trained.lanes is not None)
        kind = f"strand {state}"
        drawn[kind] = drawn.get(kind, "") + f"M{_EDGE} {top + number * space:g}H{_LENGTH - _EDGE}"
    for number in range(max(knots, meant)):
        state = _state(number, have=knots, want=meant, is_known=trained is None or trained.generation is not None)
        kind = f"knot {state}"
        x = _FIRST_KNOT + number * _KNOT_SPACE
        drawn[kind] = drawn.get(kind, "") + _draw_knot(x, top - 4, depth + 8)
    parts = [tag("path", class_=kind, d=path) for kind, path in drawn.items()]
    size = f"0 0 {_LENGTH} {height:g}"
    return tag("svg", *parts, class_="lanes", viewBox=size, width=_LENGTH, height=height, role="img", aria_label=words)


def _draw_knot(x: float, y: float, height: float) -> str:
    """Draw an upright piece with round ends."""
    radius = _KNOT_WIDTH / 2
    end = f"a{radius:g} {radius:g} 0 0 1"
    return f"M{x:g} {y + radius:g}{end} {_KNOT_WIDTH} 0v{height - _KNOT_WIDTH:g}{end} {-_KNOT_WIDTH} 0z"


def write_legend() -> Markup:
    """Write what each kind of strand and knot stands for, beside a sample of it."""
    return tag("ul", *(tag("li", _draw_sample(state), words) for state, words in _LEGEND), class_="legend")


def _draw_sample(state: str) -> Markup:
    strands = tag("path", class_=f"strand {state}", d="M1 5H43M1 13H43")
    knot = tag("path", class_=f"knot {state}", d=_draw_knot(19, 1, 16))
    return tag("svg", strands, knot, viewBox="0 0 44 18", width=44, height=18, aria_hidden="true")


def _state(number: int, *, have: int, want: int, is_known: bool) -> str:
    """Say how one strand or knot is drawn; what could not be read is not drawn as missing."""
    if number >= have:
        return "missing" if is_known and (want or have) else "unknown"
    return "beyond" if want and number >= want else "there"


def describe_link(trained: RateAndLanes | None, declared: RateAndLanes | None) -> str:
    """Say a link in words, both values where both are known."""
    if trained is None:
        return f"no link, declared {spell(declared)}" if declared else "no link"
    if declared is None:
        return f"trained at {spell(trained)}"
    return f"trained at {spell(trained)}, declared {spell(declared)}"


def spell(width: RateAndLanes) -> str:
    """Write a width as people do: ``generation 4 x4``."""
    lanes = f"x{width.lanes}" if width.lanes is not None else "unknown width"
    if width.generation is not None:
        return f"generation {width.generation} {lanes}"
    return f"{width.gt_s:g} GT/s {lanes}" if width.gt_s is not None else lanes
