"""``python -m anodewane`` is the command."""

import sys

from anodewane.cli import main

if __name__ == "__main__":
    sys.exit(main())
