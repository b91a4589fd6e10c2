"""Runtime: the one place where the rooms meet the clock, the network and the disk."""
