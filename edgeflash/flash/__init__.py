"""The science: ignition detection, flash temperature, barometric correction. Pure."""
