"""Headers in plain use: words of the trade in several languages, with their units, as names of ours.

A guess is told with the line that confirms or overrules it. Where a header names no unit, or two headers fit one name,
nothing is guessed.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Mapping
from typing import Final

_WORDS: Final[dict[str, tuple[str, ...]]] = {
    "latitude": (
        "latitude", "lat", "gps lat", "gps latitude", "breite", "breitengrad", "geographische breite", "latitud",
        "latitude wgs84", "wgs84 latitude",
    ),
    "longitude": (
        "longitude", "lon", "long", "lng", "gps lon", "gps long", "gps longitude", "lange", "laenge", "langengrad",
        "laengengrad", "geographische lange", "geographische laenge", "longitud", "wgs84 longitude",
    ),
    "time": (
        "time", "timestamp", "time stamp", "datetime", "date time", "date and time", "gps time", "gps timestamp",
        "utc",
        "utc time", "time utc", "time of fix", "zeit", "zeitstempel", "datum zeit", "datum uhrzeit",
        "datum und uhrzeit",
        "uhrzeit", "fecha y hora", "fecha hora", "hora", "marca de tiempo", "horodatage", "date heure", "date et heure",
        "heure", "data hora", "data e hora", "carimbo de tempo",
    ),
    "date": ("date", "datum", "fecha", "jour"),
    "x_m": ("easting", "utm x", "utm easting", "rechtswert", "ostwert", "utm east", "x utm"),
    "y_m": ("northing", "utm y", "utm northing", "hochwert", "nordwert", "utm north", "y utm"),
    "heading": (
        "heading", "course", "course over ground", "cog", "bearing", "azimuth", "kurs", "fahrtrichtung", "rumbo",
        "curso", "cap", "rumo",
    ),
    "speed": (
        "speed", "ground speed", "groundspeed", "gps speed", "speed over ground", "sog", "velocity", "vehicle speed",
        "geschwindigkeit", "fahrgeschwindigkeit", "velocidad", "vitesse", "vitesse d avancement", "velocidade",
    ),
    "working_width": (
        "working width", "width", "swath width", "applied width", "boom width", "implement width", "arbeitsbreite",
        "ancho de trabajo", "ancho", "largeur de travail", "largeur", "largura de trabalho", "largura",
    ),
    "rate": (
        "rate", "application rate", "applied rate", "actual rate", "rate applied", "aufwandmenge", "ausbringmenge",
        "istmenge", "ist menge", "dosis", "dosis aplicada", "dosis real", "dose", "dose appliquee", "dose reelle",
        "taxa",
        "taxa aplicada", "dose aplicada",
    ),
    "flow": (
        "flow", "flow rate", "boom flow", "total flow", "durchfluss", "caudal", "debit", "debit total", "vazao",
    ),
    "master": ("master", "master switch", "main valve", "hauptschalter", "haupthahn", "maestro", "mestre"),
    "work_state": (
        "work state", "working state", "workstate", "spraying", "spray on", "boom on", "applying", "arbeitszustand",
        "arbeitsstellung", "estado de trabajo", "etat de travail", "estado de trabalho",
        "pulverizando", "pulverisation",
    ),
    "product": ("product", "product name", "mittel", "produkt", "producto", "produit", "produto"),
    "hdop": ("hdop",),
}  # fmt: skip
"""What people call a column, folded (lower case, no accents, blanks for other marks), by our name without its unit."""
_OUTLETS: Final = re.compile(
    r"^(?:(sec|sect|section|boom section|teilbreite|tb|seccion|troncon|secao)|"
    r"(noz|nozzle|duse|duese|boquilla|buse|bico))\s*0*(\d{1,18})"
    r"(?:\s+(?:state|status|on|on off|valve|zustand|estado|etat))?$"
)
_UNITS: Final[dict[str, dict[str, str]]] = {
    "speed": {
        "km_h": "km/h kmh kph kmph km/hr", "m_s": "m/s mps ms-1", "mph": "mph mi/h", "knots": "kn kt kts knot knots",
    },
    "working_width": {"m": "m meter meters metre metres", "cm": "cm", "mm": "mm",
        "ft": "ft feet foot '", "in": "in inch"},
    "rate": {"l_ha": "l/ha lha lph l/hectare liter/ha litres/ha",
        "gal_ac": "gal/ac gpa gal/acre gallons/acre us gal/ac"},
    "flow": {"l_min": "l/min lpm l/minute liter/min", "gal_min": "gal/min gpm us gal/min"},
    "heading": {"deg": "deg degrees degree ° grad grados degres graus", "rad": "rad radians"},
    "latitude": {"": "deg degrees degree ° wgs84 dd grad grados degres graus"},
    "longitude": {"": "deg degrees degree ° wgs84 dd grad grados degres graus"},
    "time": {"": "utc gmt iso local s"},
    "x_m": {"": "m"},
    "y_m": {"": "m"},
}  # fmt: skip
"""Suffix of our name to how people write the unit."""
_BRACKET: Final = re.compile(r"[\[(]([^\])]*)[\])]")
_MARKS: Final = re.compile(r"[^a-z0-9/°']+")


def folded(text: str) -> str:
    """Lower case without accents; blanks for all marks but those that units need.

    Examples
    --------
    >>> folded("Geographische_Länge "), folded("Débit (l/min)")
    ('geographische lange', 'debit l/min')
    """
    plain = unicodedata.normalize("NFKD", text.replace("ß", "ss")).casefold()
    bare = "".join(mark for mark in plain if not unicodedata.combining(mark))
    return _MARKS.sub(" ", bare).strip()


def _split(header: str) -> tuple[str, str]:
    """Words of a header and its unit, both folded; the unit stands in brackets or after a comma or the words."""
    bracket = _BRACKET.search(header)
    if bracket:
        return folded(header[: bracket.start()] + " " + header[bracket.end() :]), folded(bracket[1])
    return folded(header), ""


def plain_name(header: str) -> str | None:
    """Our name for a header in plain use; None where it says too little.

    Examples
    --------
    >>> plain_name("Breitengrad"), plain_name("Fahrgeschwindigkeit [km/h]"), plain_name("Ancho de trabajo (m)")
    ('latitude', 'speed_km_h', 'working_width_m')
    >>> plain_name("Teilbreite 03"), plain_name("speed")
    ('section_3', None)
    """
    words, unit = _split(header)
    whole = words.replace("/", " ")
    outlet = _OUTLETS.match(whole)
    if outlet and not unit:
        return f"{'section' if outlet[1] else 'nozzle'}_{int(outlet[3])}"
    for quantity, names in _WORDS.items():
        units = _UNITS.get(quantity)
        if whole in names:
            return _with_unit(quantity, unit, units)
        if units is None or unit:
            continue
        for name in names:  # "speed km/h", "latitude deg": the unit behind the words
            if words.startswith(f"{name} "):
                found = _with_unit(quantity, words[len(name) + 1 :], units)
                if found is not None:
                    return found
    return None


def _with_unit(quantity: str, unit: str, units: dict[str, str] | None) -> str | None:
    """The name with its unit; None where the unit is not known, or needed and not there."""
    if units is None:
        return quantity if not unit else None
    if not unit:
        return "heading_deg" if quantity == "heading" else quantity if "" in units else None
    suffix = next((end for end, spelt in units.items() if unit in spelt.split() or unit == spelt), None)
    if suffix is None:
        return None
    if quantity == "heading":
        return "heading_deg" if suffix == "deg" else None
    return f"{quantity}_{suffix}" if suffix else quantity


def is_unit(cell: str) -> bool:
    """Whether a cell under the header is a unit, as in a second row of headers."""
    word = folded(cell.strip().strip("[]()"))
    return any(word == spelt or word in spelt.split() for units in _UNITS.values() for spelt in units.values())


def guesses(headers: Iterable[str], units: Mapping[str, str]) -> dict[str, list[str]]:
    """Headers by the name of ours that they seem to mean, in the order of the file; ``units`` from a row below them."""
    found: dict[str, list[str]] = {}
    for header in headers:
        name = plain_name(f"{header} [{units[header]}]" if units.get(header) else header) or plain_name(header)
        if name is not None:
            found.setdefault(name, []).append(header)
    return found
