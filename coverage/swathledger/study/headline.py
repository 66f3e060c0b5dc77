"""The headline figures of an audited drive, for setting runs of one drive beside each other."""

from __future__ import annotations

from typing import TYPE_CHECKING

from swathledger.documents.study import AuditedHeadline
from swathledger.study.collected import AS_LOGGED
from swathledger.words import words

if TYPE_CHECKING:
    from swathledger.report.audited import Audit


def headlines(audit: Audit) -> tuple[AuditedHeadline, ...]:
    """Headlines of an audit: over-application of every layout, skip, and savings from widest to finest."""
    t = words().below("study.drive_figure.")
    areas = audit.accounting.areas
    target = areas.m2("target")
    if target <= 0:
        return ()
    share = 100.0 / target
    values = {AS_LOGGED: areas.m2("over_application") * share}
    widths: list[tuple[float, str]] = []
    if audit.replay is not None:
        for result in audit.replay.results:
            name, width = result.layout.name, result.layout.group_width_m
            values[name] = result.m2("over_application") * (100.0 / result.m2("target"))
            if width is not None:
                widths.append((width, name))
    out = []
    for name, value in values.items():
        told = t("over_as_logged") if name == AS_LOGGED else t("over", layout=name)
        out.append(AuditedHeadline(name=f"over_pct:{name}", words=told, value=value))
    out.append(AuditedHeadline(name=f"skip_pct:{AS_LOGGED}", words=t("skip"), value=areas.m2("skip") * share))
    pairs: list[tuple[str, str]] = []
    if widths:
        finest = min(widths)[1]
        pairs.append((AS_LOGGED, finest))
        if len(widths) > 1:
            pairs.append((max(widths)[1], finest))
    for first, second in pairs:
        told = t("saving", first=first, second=second)
        saved = values[first] - values[second]
        out.append(AuditedHeadline(name=f"saving:{first}:{second}", words=told, value=saved))
    return tuple(out)
