"""What a drive says of the machine that made it: offsets, widths and the controller, each with its error."""
