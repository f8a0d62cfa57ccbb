"""``python -m service``: the console command without the console script."""

from service.cli import main

main()
