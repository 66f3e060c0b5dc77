"""Pages, rasters, vectors and tables: the right end of the engine."""
