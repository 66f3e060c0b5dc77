"""The kernels that count cells, and nothing else that is hot."""
