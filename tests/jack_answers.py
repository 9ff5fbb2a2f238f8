"""Exit 0 if the JACK server of JACK_DEFAULT_SERVER answers: ``python -m tests.jack_answers``.

A process of its own, so that no client of a server that dies stays behind in the one that asks.
"""

import sys


def main() -> int:
    """Return 0 if a client can be opened, else 1."""
    try:
        import jack

        jack.Client("replank-asks", no_start_server=True).close()
    except Exception as error:
        print(f"no JACK server: {error}", file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
