"""``python -m replank.host FACTS``: the host as a process, FACTS a JSON object that the keeper made."""

import asyncio
import json
import sys

from replank.host.app import run

if __name__ == "__main__":
    asyncio.run(run(json.loads(sys.argv[1])))
