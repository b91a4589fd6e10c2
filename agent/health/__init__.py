"""Health: is the agent alive, and what does it count, for machines that watch it."""
