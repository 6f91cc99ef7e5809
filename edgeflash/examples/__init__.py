"""Example site files and register maps, shipped with the package."""
