"""``python -m xrfmap``: the command line."""

from xrfmap.cli import main

main()
