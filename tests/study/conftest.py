"""The study's tests share ledgers typed out by hand."""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent))  # kit_study and worlds, imported by name
