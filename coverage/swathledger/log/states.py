"""What a file's state columns say: open or shut, as understood, mapped by the machine file, or held where blank."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from swathledger.errors import LogError
from swathledger.log.columns import ColumnPlan
from swathledger.log.log import StateKind
from swathledger.log.state_mask import mask_columns
from swathledger.log.table import MISSING, OPEN, SHUT, UNKNOWN, RawTable, state_of, to_float, word_key
from swathledger.notes import Measure, Note

Codes = NDArray[np.uint8]
_SHOWN = 12
_MATTERS = 0.01
"""Blanks are asked about where the two readings differ by more than this share of what is open."""


@dataclass
class _Read:
    """State columns of one file on their way."""

    raw: RawTable
    meaning: Mapping[str, int]
    blank: str | None
    warnings: list[Note]
    words: Counter[str] = field(default_factory=Counter)
    odd: Counter[str] = field(default_factory=Counter)
    first_odd: tuple[str, int] | None = None
    blanks: int = 0
    told: int = 0

    def codes(self, header: str, ours: str) -> Codes:
        """A column as SHUT, OPEN or MISSING; what is neither is counted, and shut where the format defines it so."""
        codes, words = self.raw.columns[header].states(self.meaning)
        self.words.update(words)
        self.blanks += int((codes == MISSING).sum())
        unknown = codes == UNKNOWN
        if unknown.any():
            if self.first_odd is None:
                self.first_odd = header, int(np.flatnonzero(unknown)[0])
            self.odd.update({word: count for word, count in words.items() if _is_odd(word, self.meaning)})
            self._tell_odd(header, ours, int(unknown.sum()), words)
            codes = np.where(unknown, SHUT, codes).astype(np.uint8)
        return codes

    def _tell_odd(self, header: str, ours: str, count: int, words: Mapping[str, int]) -> None:
        self.told += 1
        if self.told <= _SHOWN // 2:
            shown = ", ".join(repr(word) for word in sorted(words) if _is_odd(word, self.meaning))
            file = self.raw.file
            note = Note.of("log.odd_states", file=file, count=count, name=ours, header=header, found=shown)
            self.warnings.append(note)

    def settled(self, codes: Codes) -> NDArray[np.bool_]:
        """Open or not, blanks as the machine file says, else shut."""
        if self.blank == "unchanged":
            codes = _held(codes)
        opened: NDArray[np.bool_] = (codes == OPEN) | ((codes == MISSING) & (self.blank == "open"))
        return opened

    def refuse_odd(self) -> None:
        """Raise where a code is neither open nor shut by our words, by the format or by the machine file.

        A word that is no number and stands there once is a slip of the recording and no code: shut, and told.
        """
        codes = [word for word, count in self.odd.items() if count > 1 or to_float(word) is not None]
        if not codes or self.raw.states_defined or self.first_odd is None:
            return
        header, row = self.first_odd
        place = self.raw.places([row])[0].rpartition(" ")[2]
        listed = ", ".join(f"{word!r} ({count:,})" for word, count in self.words.most_common(_SHOWN))
        more = f" and {len(self.words) - _SHOWN} more" if len(self.words) > _SHOWN else ""
        example = ", ".join(f'"{word}" = "..."' for word, _ in self.odd.most_common(3))
        only = all(_is_odd(word, self.meaning) for word in self.words)
        what = "no cell says open or shut" if only else "not every state says open or shut"
        raise LogError(
            f"{what}; found {listed}{more}.",
            file=self.raw.file,
            row=int(place) if place.isdigit() else None,
            column=header,
            hint="States are 0/1, true/false, on/off, yes/no or open/shut. Say in the machine file which of these "
            f'are "open" and which "shut": [log] states = {{{example}}}.',
        )


def _is_odd(word: str, meaning: Mapping[str, int]) -> bool:
    return state_of(word, meaning) == UNKNOWN


def _held(codes: Codes) -> Codes:
    """Blank cells take the state of the row before; shut before the first."""
    known = codes != MISSING
    at = np.maximum.accumulate(np.where(known, np.arange(codes.shape[0]), -1))
    out: Codes = np.where(at >= 0, codes[np.maximum(at, 0)], SHUT).astype(np.uint8)
    return out


def meaning_of(options: Mapping[str, object]) -> dict[str, int]:
    """``[log] states`` as codes; an empty mapping where there is none."""
    given = options.get("states")
    if given is None:
        return {}
    if not isinstance(given, Mapping) or not set(given.values()) <= {"open", "shut"}:
        raise LogError(f'must give each code "open" or "shut", found {given!r}.', column="[log] states")
    return {word_key(code): OPEN if word == "open" else SHUT for code, word in given.items()}


def read_states(
    raw: RawTable,
    plan: ColumnPlan,
    sections: int | None,
    nozzles: int | None,
    options: Mapping[str, object],
    warnings: list[Note],
) -> tuple[StateKind, NDArray[np.bool_]]:
    """What the state columns stand for, and (n, k) open or not with the master applied.

    Raises
    ------
    LogError
        A code is neither open nor shut, or the count of columns fits the machine in no way.
    """
    blank = options.get("blank_state")
    if blank not in (None, "unchanged", "open", "shut"):
        raise LogError(f'must be "unchanged", "open" or "shut", found {blank!r}.', column="[log] blank_state")
    read = _Read(raw, meaning_of(options), None if blank is None else str(blank), warnings)
    headers = plan.nozzles or plan.sections
    masks = _masks(raw, plan, sections, nozzles, options, warnings) if not headers else {}
    kind: StateKind = "work"
    if headers or masks:
        found = [len(masks.get(name, ())) for name in ("section_mask", "nozzle_mask")]
        found = found if masks else [len(plan.sections), len(plan.nozzles)]
        kind = state_kind(found[0], found[1], sections, nozzles, raw.file, warnings)
    masters = [read.codes(plan.fixed[ours], ours) for ours in ("master", "work_state") if ours in plan.fixed]
    own = [read.codes(header, f"{kind} {number}") for number, header in enumerate(headers, start=1)]
    own += masks.get("nozzle_mask") or masks.get("section_mask") or []
    read.blanks += sum(int((codes == MISSING).sum()) for codes in own) if masks else 0
    read.refuse_odd()
    if read.told > _SHOWN // 2:
        warnings.append(Note.of("log.more_odd_states", file=raw.file, count=read.told - _SHOWN // 2))
    if not masters and not own:
        warnings.append(Note.of("log.no_states", file=raw.file))
        return "none", np.ones((raw.rows, 1), bool)
    whole = _all_open([read.settled(codes) for codes in masters])
    state = np.column_stack([read.settled(codes) for codes in own]) if own else None
    _tell_blanks(read, masters, own, warnings)
    if state is None:
        return "work", np.ones((raw.rows, 1), bool) if whole is None else whole[:, None]
    if whole is not None:
        shut = int((state.any(axis=1) & ~whole).sum())
        if shut:
            warnings.append(Note.of("log.master_off", file=raw.file, count=shut))
        state &= whole[:, None]
    return kind, np.ascontiguousarray(state)


def _masks(
    raw: RawTable,
    plan: ColumnPlan,
    sections: int | None,
    nozzles: int | None,
    options: Mapping[str, object],
    warnings: list[Note],
) -> dict[str, list[Codes]]:
    """Columns of the outlets whose states stand in one cell."""
    out = {}
    for name, count in (("section_mask", sections), ("nozzle_mask", nozzles)):
        if name in plan.fixed:
            out[name] = mask_columns(raw, plan.fixed[name], options, count, warnings)
    return out


def _all_open(columns: Sequence[NDArray[np.bool_]]) -> NDArray[np.bool_] | None:
    whole: NDArray[np.bool_] | None = None
    for opened in columns:
        whole = opened if whole is None else whole & opened
    return whole


def _tell_blanks(read: _Read, masters: list[Codes], own: list[Codes], warnings: list[Note]) -> None:
    """Say how blanks were taken; ask where it matters and the machine file does not say."""
    if not read.blanks:
        return
    file, count = read.raw.file, read.blanks
    if read.blank is not None:
        warnings.append(Note.of("log.blanks_settled", file=file, count=count, state=read.blank))
        return

    def opened(hold: bool) -> int:
        """State cells that are open in effect, blanks held or shut."""
        columns = [_held(codes) == OPEN if hold else codes == OPEN for codes in (own or masters)]
        over = [_held(codes) == OPEN if hold else codes == OPEN for codes in masters]
        whole = _all_open(over)
        return sum(int((column if whole is None else column & whole).sum()) for column in columns)

    shut, held = opened(False), opened(True)
    if abs(held - shut) <= _MATTERS * max(held, shut):
        warnings.append(Note.of("log.empty_states", file=file, count=count))
        return
    cells = max(1, sum(codes.shape[0] for codes in (own or masters)))
    as_shut, as_held = Measure(100.0 * shut / cells, "pct"), Measure(100.0 * held / cells, "pct")
    warnings.append(Note.of("log.blank_states", file=file, count=count, shut=as_shut, held=as_held))


def state_kind(
    found_sections: int, found_nozzles: int, sections: int | None, nozzles: int | None, file: str, warnings: list[Note]
) -> StateKind:
    """What the state columns stand for, checked against the machine.

    Raises
    ------
    LogError
        The count fits neither the machine's sections nor its nozzles.
    """
    if found_sections and found_nozzles:
        warnings.append(Note.of("log.sections_and_nozzles", file=file))
    named: StateKind = "nozzle" if found_nozzles else "section"
    other: StateKind = "section" if found_nozzles else "nozzle"
    count = found_nozzles or found_sections
    expected = {"section": sections, "nozzle": nozzles}
    if (sections is None and nozzles is None) or count == expected[named]:
        return named
    if count == expected[other]:
        code = "log.nozzles_are_sections" if other == "section" else "log.sections_are_nozzles"
        warnings.append(Note.of(code, file=file, columns=count))
        return other
    has = " and ".join(
        f"{n} {word}{'' if n == 1 else 's'}"
        for n, word in ((sections, "section"), (nozzles, "nozzle"))
        if n is not None
    )
    raise LogError(
        f"the log has {count} {named} column{'' if count == 1 else 's'}, the machine has {has}.",
        file=file,
        hint="Use the machine file of the sprayer that made this log, or correct its [boom] table.",
    )
