"""Shotgram: keeps robotic spray guns delivering the flow each job was developed with.

Data flows one way through the rooms: intake, detection, flow, assessment, journal, outlets.
"""

__version__ = "0.1.0"
