"""The site file and the register maps: models, loading, checking."""
