"""The boom's way over the ground: poses and ribbons, from a log and a machine."""
