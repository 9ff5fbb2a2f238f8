"""``python -m replank.keeper CONFIG``: the keeper as a process, CONFIG a JSON object (see `run`)."""

import json
import sys

from replank.keeper.keeping import run

if __name__ == "__main__":
    sys.exit(run(json.loads(sys.argv[1])))
