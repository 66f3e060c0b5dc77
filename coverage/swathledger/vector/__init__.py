"""Vector files that may come from anybody: a short list of kinds, read in a process with bounds of memory and time."""
