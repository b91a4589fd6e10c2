"""The words shared with the outside: topics, incoming bodies, records and times.

Nothing here computes; every other room, and the simulators, may import it.
"""
