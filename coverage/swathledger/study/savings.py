"""What finer groups save over all drives of a study: the ledgers' lines at equal cover, added up."""

from __future__ import annotations

import math
from collections.abc import Sequence

from swathledger.documents.document import taken
from swathledger.documents.replay import SavedLine, summed
from swathledger.documents.study import StudySaving
from swathledger.shutoff.results import STEPS
from swathledger.study.collected import AS_LOGGED, LayoutRow, StudyJob


def savings(jobs: Sequence[StudyJob]) -> tuple[StudySaving, ...]:
    """For each layout its drives, the lines of its saving, and the closed form weighted by target; see docs/study.md.

    Drives are added up, so that large ones count for more; intervals over fields are those of ``differences``.
    """
    layouts = dict.fromkeys(row.layout for job in jobs for row in job.rows if row.steps)
    return tuple(_saving(layout, jobs) for layout in layouts)


def _saving(layout: str, jobs: Sequence[StudyJob]) -> StudySaving:
    having: list[tuple[StudyJob, LayoutRow, LayoutRow]] = []
    for job in jobs:
        row, done = job.row(layout), job.row(AS_LOGGED)
        if row is not None and row.steps and done is not None:
            having.append((job, row, done))
    lines = [
        summed(step, [(row.step(step), done.volume_l, done.applied_m2) for _, row, done in having]) for step in STEPS
    ]
    form = [(row.closed_form_pct, job.target_area_m2) for job, row, _ in having if row.closed_form_pct is not None]
    target = math.fsum(m2 for _, m2 in form)
    return StudySaving(
        layout=layout,
        jobs=len(having),
        steps=tuple(taken(SavedLine, line) for line in lines if line is not None),
        closed_form_pct=math.fsum(pct * m2 for pct, m2 in form) / target if target else None,
    )
