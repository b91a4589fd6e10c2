"""Pipeline: the rooms in their order, one line of them for each cell. Pure; `run` and `replay` share it."""
