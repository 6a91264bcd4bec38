"""The desk check as text: the verdict and the narrowest part first, then the figures, then what they rest on.

Words carry the meaning; colour only repeats it. What does not fit the width is wrapped, never cut.
"""

from collections.abc import Iterator, Sequence

from laneproof.declaration.quoting import list_words
from laneproof.declaration.units import format_bit_rate, format_bytes, format_range, format_rate
from laneproof.desk.arrays import ArrayBudget
from laneproof.desk.bottleneck import Bottleneck
from laneproof.desk.check import DeskCheck
from laneproof.desk.links import LinkBudget, SharedLink
from laneproof.desk.power import PowerBudget
from laneproof.desk.problems import Assumption
from laneproof.desk.rebuild import Rebuild
from laneproof.desk.typical_throughput import Reach
from laneproof.outputs.text_style import Style

_HOUR, _MINUTE = 3600, 60
_RARE, _SELDOM = 1e-6, 1e-3  # below these, a chance is written in other words than percent
_COLUMNS, _FIGURES = 6, (3, 4, 5)  # of the table of positions; a note follows them
_BAD, _GOOD = "1;31", "32"


def write_budget(checked: DeskCheck, style: Style) -> str:
    """Write the whole text, with a line end."""
    lines = list(_headline(checked, style))
    for heading, body in (
        ("Does not fit", _problems(checked, style)),
        (
            "Positions: ceilings alone and with all busy, and what such drives reach",
            _positions(checked.positions, style),
        ),
        ("Shared links", _shared(checked.shared, style)),
        ("Arrays", _arrays(checked.arrays, style)),
        ("Network", _network(checked, style)),
        ("Power and heat", _power(checked.power, style)),
        ("Worth knowing", style.wrap_each(checked.remarks)),
        ("Assumed, to be changed in [assume]", _assumptions(checked.assumptions, style)),
    ):
        lines += style.put_under(heading, body)
    return "\n".join(lines) + "\n"


def _headline(checked: DeskCheck, style: Style) -> Iterator[str]:
    count = len(checked.problems)
    verdict = f"{checked.build.box.name}: {'FITS' if checked.fits else 'DOES NOT FIT'}"
    rest = "" if checked.fits else f" - {count} {'problem' if count == 1 else 'problems'}"
    if checked.fits and checked.conditions:
        rest = f" if {list_words(list(checked.conditions))}"
    yield from style.wrap_under(verdict, rest, _GOOD if checked.fits else _BAD)
    yield from style.wrap(f"Narrowest: {_say_bottleneck(checked.bottleneck)}", rest="")


def _say_bottleneck(bottleneck: Bottleneck | None) -> str:
    return "not known, since no link is declared" if bottleneck is None else f"{bottleneck.part}: {bottleneck.says}"


def _problems(checked: DeskCheck, style: Style) -> Iterator[str]:
    for problem in checked.problems:
        yield f"  {style.paint(problem.subject, _BAD)}  {problem.what}"
        yield from style.wrap(problem.says, "    ", "    ")


# --- figures ----------------------------------------------------------------------------------------------------------


def _link(generation: int | None, lanes: int | None) -> str:
    return f"gen {generation or '?'} x{lanes or '?'}"


def _positions(links: Sequence[LinkBudget], style: Style) -> Iterator[str]:
    rows = [_position_cells(link) for link in links]
    if not rows:
        return
    widths = [max(len(row[at]) for row in rows) for at in range(_COLUMNS)]
    for row in rows:
        columns = zip(row[:_COLUMNS], widths, strict=True)
        cells = [cell.rjust(width) if at in _FIGURES else cell.ljust(width) for at, (cell, width) in enumerate(columns)]
        line = "  " + "  ".join(cells)
        if len(line) > style.width:  # too narrow for columns: one cell after the other
            yield from style.wrap("  ".join(cell for cell in row if cell), "  ", "      ")
        elif row[_COLUMNS] and len(line) + len(row[_COLUMNS]) + 2 > style.width:
            yield line.rstrip()
            yield from style.wrap(row[_COLUMNS], "      ", "      ")
        else:
            yield f"{line}  {row[_COLUMNS]}".rstrip()


def _position_cells(link: LinkBudget) -> tuple[str, ...]:
    if link.kind == "none":
        return link.label, "empty", "", "", "", "", ""
    if link.cannot_exist:
        return link.label, link.kind or "", "no lanes", "", "", "", ""
    is_sata = link.kind == "sata" and link.generation is None
    shared = [f"shares {name}" for name in link.shared]
    held = [f"held back by its {link.limited_by}"] if link.limited_by else []
    return (
        link.label,
        link.kind or "",
        "6 Gbit/s" if is_sata else _link(link.generation, link.lanes),
        format_rate(link.payload_bytes_per_second),
        format_rate(link.all_busy_bytes_per_second),
        format_range(*link.known_reach_bytes_per_second) if link.known_reach_bytes_per_second else "",
        ", ".join(shared + held),
    )


def _shared(shared: Sequence[SharedLink], style: Style) -> Iterator[str]:
    for link in shared:
        carries = (
            "carries an unknown rate"
            if link.payload_bytes_per_second is None
            else f"carries {format_rate(link.payload_bytes_per_second)}"
        )
        says = f"{link.name}: {_link(link.generation, link.lanes)} {carries}"
        if link.positions:
            wanted = format_rate(link.wanted_bytes_per_second)
            says += f" each way for {list_words(list(link.positions))}, which could take {wanted}"
        else:
            says += ", and no declared position shares it"
        yield from style.wrap(says, "  ")


def _arrays(arrays: Sequence[ArrayBudget], style: Style) -> Iterator[str]:
    for array in arrays:
        head = f"{array.name}: {array.level or 'level unknown'} of {array.members}"
        if array.usable_bytes is not None and array.raw_bytes is not None:
            head += f", {format_bytes(array.usable_bytes)} usable of {format_bytes(array.raw_bytes)}"
        if array.tolerated_failures is not None:
            times = "no failure" if array.tolerated_failures == 0 else f"{array.tolerated_failures} failed"
            head += f", survives {times}"
        yield from style.wrap(head, "  ")
        if array.small_write_operations is not None:
            yield from style.wrap(_say_cost(array), "    ")
        if array.known_reach is not None:
            yield from style.wrap(_say_reach(array.known_reach), "    ")
        if array.rebuild is not None:
            yield from style.wrap(_say_rebuild(array.rebuild), "    ")


def _say_cost(array: ArrayBudget) -> str:
    said = []
    if array.read_bytes_per_second is not None and array.write_bytes_per_second is not None:
        read, write = format_rate(array.read_bytes_per_second), format_rate(array.write_bytes_per_second)
        said.append(f"in sequence it reads at most {read} and writes at most {write}")
    operations = array.small_write_operations or 1
    said.append(f"one small write costs {operations} operation{'s' if operations > 1 else ''} of its members")
    if array.small_writes_per_second is not None:
        said.append(f"which leaves {array.small_writes_per_second:,.0f} a second")
    return "; ".join(said)


def _say_reach(reach: Reach) -> str:
    read, write = format_range(*reach.read_bytes_per_second), format_range(*reach.write_bytes_per_second)
    said = f"known to be reached: reading {read}, writing {write} in sequence, about"
    said += (
        f" {reach.small_reads_per_second:,.0f} reads and {reach.small_writes_per_second:,.0f} writes of 4 KiB a second"
    )
    return f"{said}, set by {reach.because} (common practice, no source)"


def _say_rebuild(rebuild: Rebuild) -> str:
    rate = format_rate(rebuild.bytes_per_second)
    said = f"a rebuild takes {_duration(rebuild.seconds)} at {rate}, set by {rebuild.limited_by}."
    said += f" Meanwhile another drive fails in {_chance(rebuild.second_failure_probability)} of cases"
    if rebuild.spare_failures:
        said += f" (data is lost in {_chance(rebuild.loss_probability)})"
    said += f", and some block cannot be read in {_chance(rebuild.unreadable_probability)}"
    return f"{said}, which loses that block" if rebuild.unreadable_loses_data else f"{said}, which is made up for"


def _duration(seconds: float) -> str:
    if seconds < _HOUR:
        return f"{max(round(seconds / _MINUTE), 1)} min"
    hours, minutes = divmod(round(seconds / _MINUTE), _MINUTE)
    return f"{hours} h {minutes:02d} min"


def _chance(probability: float) -> str:
    if probability < _RARE:
        return "less than 1 in a million"
    if probability < _SELDOM:
        return f"1 in {round(_two_digits(1 / probability)):,}"
    return f"{_two_digits(probability * 100):g} %"


def _two_digits(value: float) -> float:
    return float(f"{value:.2g}")  # more would promise too much of what rests on an assumption


def _network(checked: DeskCheck, style: Style) -> Iterator[str]:
    for port in checked.network:
        mode = f", {port.mode}" if port.mode else ""
        ports = f"{port.members} port{'s' if port.members > 1 else ''}"
        says = f"{port.name}: {ports}{mode}, {format_bit_rate(port.together_bits_per_second)} together"
        yield from style.wrap(f"{says}, {format_bit_rate(port.one_flow_bits_per_second)} in one flow", "  ")
    through = checked.throughput
    if checked.network and through.network_bytes_per_second and through.drives_bytes_per_second:
        network, drives = format_rate(through.network_bytes_per_second), format_rate(through.drives_bytes_per_second)
        yield from style.wrap(f"as payload {network}, beside {drives} of all drives together", "  ")


def _power(power: PowerBudget, style: Style) -> Iterator[str]:
    says = f"{power.total_watts:.0f} W at most"
    if power.supply_watts is not None and power.free_share is not None:
        says += f" of the supply's {power.supply_watts:.0f} W:"
        says += f" {power.free_share:.0%} free, {power.wanted_free_share:.0%} wanted"
    yield from style.wrap(says, "  ")
    parts = ", ".join(f"{item.name} {item.watts:g}{'' if item.declared else '*'}" for item in power.items)
    yield from style.wrap(f"{parts} (W; * assumed)", "    ", "    ")
    yield from style.wrap(
        f"as heat {power.heat_btu_per_hour:.0f} BTU/h, carried off by {power.air_m3_per_hour:.0f} m3/h of air that"
        f" leaves {power.air_rise_celsius:g} degrees C warmer",
        "  ",
    )


def _assumptions(assumptions: Sequence[Assumption], style: Style) -> Iterator[str]:
    for assumption in assumptions:
        figure = "" if assumption.value is None else _figure(assumption.value, assumption.unit)
        start = f"{assumption.key} = {figure}: " if assumption.key else ""
        yield from style.wrap(f"{start}{assumption.says} ({assumption.source})", "  ")


def _figure(value: float, unit: str | None) -> str:
    if unit == "bytes/s":
        return format_rate(value)
    return f"{value:g} {unit or ''}".rstrip()
