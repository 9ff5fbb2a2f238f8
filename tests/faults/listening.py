"""A client of the socket that subscribes to everything and says so once; run in a process of its own."""

import json
import socket


def listen(path: str) -> None:
    with socket.socket(socket.AF_UNIX) as connection:
        connection.connect(path)
        lines = connection.makefile("rb")
        lines.readline()
        connection.sendall(json.dumps({"do": "subscribe"}).encode() + b"\n")
        lines.readline()
        print("listening", flush=True)
        while lines.readline():
            pass
