"""A simulated online flash point analyzer: fuel, cup, firmware, faults, registers, server.

Nothing here imports the gateway, and the gateway imports nothing from here, so that the two
can be checked against each other.
"""
