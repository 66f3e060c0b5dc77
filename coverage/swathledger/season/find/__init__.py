"""From a folder of files named by nobody to a manifest."""
