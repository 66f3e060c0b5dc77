"""Which header of a file stands for which column of ours."""

from __future__ import annotations

import difflib
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from swathledger.errors import LogError
from swathledger.log.headers import guesses
from swathledger.notes import Note
from swathledger.units import named

#: Quantities that may come in any unit of their dimension, preferred unit first.
UNIT_NAMES: dict[str, tuple[str, ...]] = {
    "speed": tuple(named("speed", "speed")),
    "working_width": tuple(named("working_width", "length")),
    "rate": tuple(named("rate", "rate")),
    "flow": tuple(named("flow", "flow")),
}
_PLAIN = (
    "time",
    "date",
    "seconds_from_start",
    "latitude",
    "longitude",
    "x_m",
    "y_m",
    "heading_deg",
    "master",
    "work_state",
    "section_mask",
    "nozzle_mask",
    "gear",
    "reverse",
    "product",
    "hdop",
    "gnss_sigma_m",
)
#: Every fixed column name we know, states aside.
KNOWN: tuple[str, ...] = _PLAIN + tuple(name for names in UNIT_NAMES.values() for name in names)
#: Names of an outlet's state: ``section_1``, ``Nozzle 07`` and so on.
_STATE = re.compile(r"^(section|nozzle)[ _]?0*(\d{1,18})$", re.ASCII)
_NUMBER = re.compile(r"0*[0-9]+")
_DBF_WIDTH = 10
#: Words for our columns that lack the unit, or are short for them; with what they may mean.
_MEANT: dict[str, tuple[str, ...]] = {
    **dict.fromkeys(("timestamp", "datetime", "date_time"), ("time",)),
    "lat": ("latitude",),
    **dict.fromkeys(("lon", "lng", "long"), ("longitude",)),
    **dict.fromkeys(("heading", "course", "bearing"), ("heading_deg",)),
    **dict.fromkeys(("speed", "velocity"), UNIT_NAMES["speed"]),
    **dict.fromkeys(("width", "working_width", "swath_width"), UNIT_NAMES["working_width"]),
    **dict.fromkeys(("rate", "dose", "application_rate"), UNIT_NAMES["rate"]),
    **dict.fromkeys(("flow", "flow_rate"), UNIT_NAMES["flow"]),
    **dict.fromkeys(("state", "spraying"), ("work_state",)),
    "sections": ("section",),
    "nozzles": ("nozzle",),
}
_UNIT_END = re.compile(
    r"_(m|cm|mm|ft|in|deg|degrees|rad|m_?s|mps|km_?h|kmph|kph|mph|kn|knots|l_?ha|lpha|gal_?ac|gpa|l_?min|lpm|l_?h|gal_?min|gpm)$"
)
_SHOWN = 12

OutletKind = Literal["section", "nozzle"]


@dataclass(frozen=True, slots=True)
class ColumnPlan:
    """What to read from a file with the given headers.

    Attributes
    ----------
    fixed : dict of str to str
        Our name to the file's header, for the names in ``KNOWN``.
    sections, nozzles : tuple of str
        Headers of the state columns, left to right.
    extra : dict of str to str
        Other columns asked for: the user's name to the file's header.
    ignored : tuple of str
        Headers nothing is read from.
    warnings : tuple of Note
        Guesses made on the way.
    """

    fixed: dict[str, str]
    sections: tuple[str, ...]
    nozzles: tuple[str, ...]
    extra: dict[str, str]
    ignored: tuple[str, ...]
    warnings: tuple[Note, ...] = ()

    @property
    def understood(self) -> tuple[tuple[str, str], ...]:
        """Pairs of our name and the file's header, in a stable order."""
        pairs = [(name, self.fixed[name]) for name in KNOWN if name in self.fixed]
        for kind, headers in (("section", self.sections), ("nozzle", self.nozzles)):
            pairs += [(f"{kind}_{number}", header) for number, header in enumerate(headers, start=1)]
        return tuple(pairs + sorted(self.extra.items()))

    @property
    def headers(self) -> tuple[str, ...]:
        """Every header to read, each once."""
        return tuple(dict.fromkeys(header for _, header in self.understood))


def near_names(wanted: str, headers: Sequence[str], count: int = 3) -> list[str]:
    """Headers that look or sound like ``wanted``, closest first."""
    by_fold: dict[str, str] = {}
    for header in headers:
        by_fold.setdefault(header.strip().casefold(), header)
    close = difflib.get_close_matches(wanted.casefold(), list(by_fold), n=count, cutoff=0.6)
    words = [fold for fold in by_fold if len(fold) > 1 and (wanted.casefold() in fold or fold in wanted.casefold())]
    return [by_fold[fold] for fold in dict.fromkeys(words + close)][:count]


def _absent(name: str, wanted: str, headers: Sequence[str], file: str) -> LogError:
    near = near_names(wanted, headers)
    likely = (
        f"Near names in the file: {', '.join(map(repr, near))}."
        if near
        else (f"The file has: {', '.join(map(repr, headers[:12]))}{', ...' if len(headers) > 12 else ''}.")
    )
    return LogError(
        f"the machine file maps {name} to the header {wanted!r}, which the file does not have. {likely}",
        file=file,
        row=1,
        column=name,
        hint="Correct the entry in [columns] or leave it out.",
    )


def meant(name: str) -> tuple[str, ...]:
    """Our columns that a name on the left of ``[columns]`` likely stands for, where it is none of them.

    Parameters
    ----------
    name : str
        As written: ``heading``, ``lat``, ``speed_kmh``. A name of the user's own gives an empty tuple.
    """
    word = re.sub(r"[ -]+", "_", name.strip().casefold())
    if word in KNOWN or word in ("section", "nozzle"):
        return ()
    return _MEANT.get(word) or _MEANT.get(_UNIT_END.sub("", word), ())


class _Finder:
    """Finds headers by exact name, then by case and blanks ignored, then by a shapefile's ten characters."""

    def __init__(self, headers: Sequence[str], truncated: bool) -> None:
        self._exact = set(headers)
        self._fold: dict[str, str] = {}
        for header in headers:
            self._fold.setdefault(header.strip().casefold(), header)
        self._truncated = truncated

    def find(self, name: str) -> str | None:
        if name in self._exact:
            return name
        fold = name.strip().casefold()
        if fold in self._fold:
            return self._fold[fold]
        if self._truncated and len(fold) > _DBF_WIDTH:
            return self._fold.get(fold[:_DBF_WIDTH])
        return None


def plan_columns(
    headers: Sequence[str],
    columns: Mapping[str, str] | None = None,
    *,
    file: str,
    truncated: bool = False,
    units: Mapping[str, str] | None = None,
) -> ColumnPlan:
    """Match a file's headers with our names.

    Parameters
    ----------
    headers : sequence of str
        The file's headers, as written.
    columns : mapping, optional
        Our name to the file's header, from the machine file. The keys ``section`` and ``nozzle`` take a pattern
        with ``{}`` for the number, e.g. ``section = "Sec{}"``. A name we do not know is an extra numeric column.
    file : str
        Name of the file, for messages.
    truncated : bool
        Headers were cut at ten characters (shapefile).
    units : mapping, optional
        Header to the unit that stands in a row below it.

    Returns
    -------
    ColumnPlan

    Raises
    ------
    LogError
        A mapped header is absent, or the numbers of state columns do not run 1..k.
    """
    columns = dict(columns or {})
    finder = _Finder(headers, truncated)
    fixed: dict[str, str] = {}
    extra: dict[str, str] = {}
    outlets: dict[OutletKind, dict[int, str]] = {"section": {}, "nozzle": {}}
    warnings: list[Note] = []
    taken: set[str] = set()
    mapped_kinds: set[str] = set()

    for name, wanted in columns.items():
        key = name.strip().casefold()
        if key in ("section", "nozzle") and "{}" in wanted:
            kind: OutletKind = "section" if key == "section" else "nozzle"
            outlets[kind] = _by_pattern(kind, wanted, headers, file, warnings)
            mapped_kinds.add(kind)
            taken.update(outlets[kind].values())
            continue
        found = finder.find(wanted)
        if found is None:
            raise _absent(name, wanted, headers, file)
        taken.add(found)
        state = _STATE.match(key)
        if state:
            kind = "section" if state[1] == "section" else "nozzle"
            outlets[kind][int(state[2])] = found
            mapped_kinds.add(kind)
        elif key in KNOWN:
            fixed[key] = found
        elif meant(key):
            raise LogError(
                f"maps {name!r}, which is none of our columns. Is it {' or '.join(meant(key))}?",
                file=file,
                column=f"[columns] {name}",
                hint=f'Write {meant(key)[0]} = "{wanted}", with the unit that the column has.',
            )
        else:
            extra[name] = found

    for name in KNOWN:
        if name in fixed:
            continue
        own = finder.find(name)
        if own is not None and own not in taken:
            fixed[name] = own
            taken.add(own)
    for header in headers:
        state = _STATE.match(header.strip().casefold())
        if state and header not in taken:
            kind = "section" if state[1] == "section" else "nozzle"
            if kind not in mapped_kinds:
                if int(state[2]) in outlets[kind]:
                    raise LogError(
                        f"two columns are named {kind} {int(state[2])}.",
                        file=file,
                        row=1,
                        column=header,
                        hint="Name each once.",
                    )
                outlets[kind][int(state[2])] = header
                taken.add(header)

    told = _guess(headers, units or {}, fixed, outlets, taken, mapped_kinds)
    if told:
        warnings.append(Note.of("log.headers_guessed", file=file, lines=", ".join(told)))
    for names in UNIT_NAMES.values():
        present = [name for name in names if name in fixed]
        for spare in present[1:]:
            taken.discard(fixed.pop(spare))
            warnings.append(Note.of("log.given_twice", file=file, used=present[0], spare=spare))
    return ColumnPlan(
        fixed=fixed,
        sections=_in_order("section", outlets["section"], file),
        nozzles=_in_order("nozzle", outlets["nozzle"], file),
        extra=extra,
        ignored=tuple(header for header in headers if header not in taken),
        warnings=tuple(warnings),
    )


def _guess(
    headers: Sequence[str],
    units: Mapping[str, str],
    fixed: dict[str, str],
    outlets: dict[OutletKind, dict[int, str]],
    taken: set[str],
    mapped_kinds: set[str],
) -> list[str]:
    """Take headers in plain use for names of ours that are still free; returns lines for ``[columns]``.

    What two headers could mean is left alone.
    """
    found = guesses((header for header in headers if header not in taken), units)
    groups = {name: group for group, names in UNIT_NAMES.items() for name in names}
    counts: dict[str, int] = {}
    for name, own in found.items():
        counts[groups.get(name, name)] = counts.get(groups.get(name, name), 0) + len(own)
    there = {groups.get(name, name) for name in fixed}
    free = {kind for kind in outlets if not outlets[kind] and kind not in mapped_kinds}
    lines: dict[str, None] = {}
    for name, own in found.items():
        group, state = groups.get(name, name), _STATE.match(name)
        if counts[group] > 1 or group in there:
            continue
        taken.add(own[0])
        if state is None:
            fixed[name] = own[0]
            lines[f"{name} = {own[0]!r}"] = None
            continue
        kind: OutletKind = "section" if state[1] == "section" else "nozzle"
        if kind in free:
            outlets[kind][int(state[2])] = own[0]
            lines[f"{kind} = {_NUMBER.sub('{}', own[0], count=1)!r}"] = None
        else:
            taken.discard(own[0])
    return list(lines)


def _by_pattern(
    kind: OutletKind, pattern: str, headers: Sequence[str], file: str, warnings: list[Note]
) -> dict[int, str]:
    """Headers that match ``pattern``, by number; numbers from 0 are moved up by one and told."""
    before, _, after = pattern.partition("{}")
    rule = re.compile(rf"^{re.escape(before.strip())}\s*0*([0-9]{{1,18}}){re.escape(after.rstrip())}$", re.IGNORECASE)
    found: dict[int, str] = {}
    for header in headers:
        match = rule.match(header.strip())
        if match:
            found.setdefault(int(match[1]), header)
    if not found:
        raise _absent(kind, pattern, headers, file)
    if 0 in found:
        code = "log.nozzles_from_0" if kind == "nozzle" else "log.sections_from_0"
        warnings.append(Note.of(code, file=file, pattern=pattern))
        found = {number + 1: header for number, header in found.items()}
    return found


def _in_order(kind: OutletKind, found: dict[int, str], file: str) -> tuple[str, ...]:
    """State headers left to right; their numbers must run 1..k."""
    if not found:
        return ()
    numbers = sorted(found)
    if numbers != list(range(1, len(numbers) + 1)):
        # as many numbers are looked at as are shown: a header may name the four billionth
        upto = min(numbers[-1], len(numbers) + _SHOWN + 1)
        lacking = [number for number in range(1, upto + 1) if number not in found]
        what = f"{kind} columns must be numbered 1 to k from the left; found {_brief(numbers)}"
        if lacking:
            what += f", lacking {_brief(lacking)}"
        raise LogError(
            f"{what}.", file=file, row=1, column=found[numbers[0]], hint="Name them so, or map them in [columns]."
        )
    return tuple(found[number] for number in numbers)


def _brief(numbers: list[int]) -> str:
    text = ", ".join(map(str, numbers[:_SHOWN]))
    return f"{text}, ..." if len(numbers) > _SHOWN else text


def require(plan: ColumnPlan, headers: Sequence[str], file: str, *, position_from_geometry: bool = False) -> None:
    """Raise LogError unless time, latitude and longitude are there, naming near names."""
    missing = []
    if "time" not in plan.fixed and "seconds_from_start" not in plan.fixed:
        missing.append("time")
    if not position_from_geometry and not {"x_m", "y_m"} <= set(plan.fixed):
        missing += [name for name in ("latitude", "longitude") if name not in plan.fixed]
    if not missing:
        return
    parts = []
    for name in missing:
        near = near_names(name, headers)
        parts.append(f"{name} (near names: {', '.join(map(repr, near))})" if near else name)
    shown = ", ".join(map(repr, headers[:12])) + (", ..." if len(headers) > 12 else "")
    raise LogError(
        f"no column for {', '.join(parts)}. The file has: {shown}.",
        file=file,
        row=1,
        hint=f'Map it in the machine file, e.g. [columns] {missing[0]} = "the header".',
    )
