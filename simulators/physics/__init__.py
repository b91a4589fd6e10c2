"""The physics of a spray cell that weighs its shots: one module for each thing one can point at in the shop.

Everything is a function of simulated time, in seconds, and of a `numpy.random.Generator` handed in: no
clock, no sleep, no hidden state of the machine. The same numbers in give the same bytes out.

Not modelled: viscosity (no paint thickens as it cools, no Reynolds number in the discharge coefficient),
compressibility of the hose (no water hammer, no pressure wave), the static head of the liquid in the pot,
atomising and pattern air, cavitation in the nozzle, splashing out of the container, corner loading and
creep of the load cell, temperature of the fluid changing on its way through the hose.
"""
