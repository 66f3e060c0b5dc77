"""What the finished jobs add up to: tables, totals and layers, for all and for each client."""
