"""Best estimates and intervals: from a figure as it was read to what happened."""
