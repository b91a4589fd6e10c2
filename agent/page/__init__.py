"""Page: the state of the cells for the shop floor, read only, readable from three metres."""
