"""Writes the sample survey: ``python simulate.py [FOLDER]`` (default: this folder)."""

import sys
from pathlib import Path

from simulator import SITE, write_sample

if __name__ == "__main__":
    target = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).resolve().parent
    walked = write_sample(target)
    print(f"{SITE.name}: {len(walked)} grids, {sum(map(len, walked))} readings written to {target}")
