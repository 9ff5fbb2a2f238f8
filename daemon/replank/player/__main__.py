"""``python -m replank.player COMMAND RECORD BEAT START PAGE``: file descriptors that the keeper made."""

import sys

from replank.player.process import main

if __name__ == "__main__":
    main([int(word) for word in sys.argv[1:6]])
