"""``python -m slipguard``: the command line, where its script is not on the path."""

from slipguard.cli import main

raise SystemExit(main())
