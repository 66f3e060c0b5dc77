"""Sphinx: the pages are Markdown (MyST), the theme is furo, nothing is fetched."""

from __future__ import annotations

from swathledger._version import __version__

project = "swathledger"
author = "The swathledger authors"
project_copyright = "The swathledger authors; Apache-2.0"
version = release = __version__

extensions = ["myst_parser"]
source_suffix = {".md": "markdown"}
exclude_patterns = ["_build"]
myst_enable_extensions = ["dollarmath", "deflist", "colon_fence"]
myst_heading_anchors = 4
nitpicky = True

html_theme = "furo"
html_title = f"swathledger {__version__}"
html_show_sourcelink = False
html_copy_source = False
