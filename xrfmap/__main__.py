"""``python -m xrfmap``: the command line."""

from xrfmap.cli.main import main

main()
