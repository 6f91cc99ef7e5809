"""`python -m edgeflash`."""

from edgeflash.cli.app import main

main()
