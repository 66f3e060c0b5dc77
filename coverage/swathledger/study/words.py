"""What a study says in words: a methods paragraph for a paper, remarks on few fields, a citation file."""

from __future__ import annotations

from typing import Any

from swathledger import __version__
from swathledger.notes import Note

CAUTION = (
    "The product label and local law come first. This is neither a legal spray record nor a substitute for a licensed "
    "adviser. Check before acting."
)


def methods(document: dict[str, Any]) -> str:
    """A methods paragraph in Markdown, with the numbers of this study in it."""
    settings, curve = document["settings"], document["curve"]
    level = f"{100 * settings['level']:g} %"
    cells = document["cells_m"]
    cell = " to ".join(f"{c:g} m" for c in sorted({cells[0], cells[-1]})) if cells else "cells of unknown size"
    off = ", ".join(f"{v:g}" for v in document["off_when_covered"]) or "not stated"
    shut = f"shut when the share of its ground that was treated or off target reached {off}"
    agreement = document["agreement"]
    trust = (
        "" if agreement["median_pct"] is None else
        f" Replaying the logged layout agreed with what was done in a median of {agreement['median_pct']:.1f} % of "
        "section-seconds, which is for information; on "
        f"{agreement['below_level']} of {agreement['jobs']} drives the model's over-application of that layout was "
        "farther from the log's than what the finest groups were said to save."
    )  # fmt: skip
    method = curve["points"][0]["method"] if curve["points"] else "none"
    band = {
        "bootstrap-t": f"Intervals are {level} bootstrap-t intervals from {settings['resamples']} resamples of whole "
                       f"fields (seed {settings['seed']}); those holding all widths at once use the largest "
                       "studentised deviation.",
        "student": f"With fewer than eight fields, intervals are Student's t over fields ({level}).",
        "none": "With fewer than three fields no interval over fields is given.",
    }[method]  # fmt: skip
    return "\n\n".join(
        [
            "# Methods",
            f"Spray coverage was rebuilt from {document['jobs']} logged drives on {document['fields']} fields with "
            f"swathledger {__version__}. Boom poses between logged positions followed cubic curves; every outlet's "
            f"swath was accounted on {cell} in a Lambert azimuthal equal-area projection centred on each field, each "
            "cell judged at one fixed hashed point. Treatments counted as separate when they came from different "
            "passes, or from one pass that had left the ground in between. Over-application is the summed area of "
            "second and later treatments of target ground and of all treatment beyond the boundary or inside "
            "exclusions, as a percentage of the target (boundary less exclusions). The same drives were then replayed "
            "under other outlet groups: at the moments at which any outlet was open in the log, a group was open "
            f"unless covered ground ahead shut it ({shut}).{trust}",
            "Fields, not passes or cells, are the unit of inference; several drives on one field were added up. "
            f"{band} Paired differences between layouts were tested by t tests with Holm's correction. "
            "Over-application and savings were regressed on perimeter per area, compactness, convexity, the number of "
            "exclusions and the logarithm of area by ordinary least squares with HC3 errors; all layouts together on "
            "group width, perimeter per area and their product with errors clustered by field.",
            "References: Efron & Tibshirani (1993), An Introduction to the Bootstrap, ch. 12; Westfall & Young (1993), "
            "Resampling-Based Multiple Testing; Holm (1979), Scand. J. Statist. 6:65-70; MacKinnon & White (1985), "
            "J. Econometrics 29:305-325; Liang & Zeger (1986), Biometrika 73:13-22; Amiama, Bueno & Alvarez (2008), "
            "Biosyst. Eng. 100:198-205.",
            CAUTION,
            "",
        ]
    )


def citation() -> str:
    """Text of a citation file (Citation File Format 1.2.0) for the program that made the study."""
    return (
        "cff-version: 1.2.0\n"
        'message: "If you use these results, please cite the program that made them."\n'
        "type: software\n"
        'title: "swathledger: where each square metre and each litre of a spray drive went"\n'
        f'version: "{__version__}"\n'
        "license: Apache-2.0\n"
        "authors:\n"
        '  - name: "The swathledger authors"\n'
    )


def few_fields(fields: int) -> list[Note]:
    """What so few fields can and cannot say; nothing where there are enough."""
    if fields >= 8:
        return []
    if fields < 3:
        return [Note.of("study.one_field" if fields == 1 else "study.two_fields")]
    return [Note.of("study.few_fields", fields=fields)]
