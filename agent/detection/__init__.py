"""Detection: readings and events in, the stretch of readings of each dispense out. Pure.

The way through the room: `scale_watch` brings one scale's readings into order and asks the `gate` whether
anything happens; `triggers` keeps what the controller told and `placing` brings it to the scale's clock;
`detector` decides by its `patience` when a dispense is due; `locating` finds it by what `curve` and
`disturbances` see in the readings, `reach` says how far it goes, `carving` cuts it out; `seen` finds what
nobody told of; `naming` says whose it was; a `window` leaves.
"""
