"""What a log's path leads to: its files, and the machine of its folder."""

from __future__ import annotations

from pathlib import Path, PurePosixPath


def files_of(path: Path) -> list[Path]:
    """Every file that reading a path depends on: the parts of a shapefile, and task data with all it may refer to."""
    from swathledger.files import parts_of
    from swathledger.log.taskdata_xml import MAIN_FILE, TIME_LOG_NAME

    time_log = bool(TIME_LOG_NAME.match(path.stem))
    if path.is_dir():
        return sorted(item for item in path.rglob("*") if item.is_file() and item.suffix.lower() in (".xml", ".bin"))
    if time_log or path.name.casefold() == MAIN_FILE.casefold():
        beside = [item for item in path.parent.iterdir() if item.suffix.lower() in (".xml", ".bin") and item.is_file()]
        return sorted(
            item
            for item in beside
            if not time_log or not TIME_LOG_NAME.match(item.stem) or item.stem.casefold() == path.stem.casefold()
        )
    return parts_of(path)


def machine_by_rule(file: str, rules: list[tuple[str, str]]) -> str | None:
    """The machine of the rule whose folder holds a file; the deepest folder comes first, then the earliest rule.

    Examples
    --------
    >>> machine_by_rule("a/b/x.csv", [("a", "m1.toml"), ("a/b", "m2.toml")])
    'm2.toml'
    """
    parents = PurePosixPath(file).parents
    folders = [(PurePosixPath(folder), machine) for folder, machine in rules]
    found = [(len(folder.parts), machine) for folder, machine in folders if folder in parents]
    return max(found, key=lambda item: item[0])[1] if found else None
