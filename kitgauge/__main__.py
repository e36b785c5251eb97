"""`python -m kitgauge`."""

from kitgauge.cli import main

main()
