"""An S3-compatible server in memory, on a free port, until its input ends.

Run by the Python of tests/peers/environments/s3-server.txt. Says `listening PORT`.
"""

import os
import sys
import threading

from moto.server import DomainDispatcherApplication, create_backend_app
from werkzeug.serving import WSGIRequestHandler, make_server


class Silent(WSGIRequestHandler):
    """Answers, and says nothing of it."""

    protocol_version = "HTTP/1.1"

    def log(self, *_: object) -> None:
        """Says nothing."""


def main() -> None:
    """Serves until the input ends."""
    app = DomainDispatcherApplication(create_backend_app)
    server = make_server("127.0.0.1", 0, app, threaded=True, request_handler=Silent)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    print(f"listening {server.server_port}", flush=True)
    # Cut connections are what the tests are about; the server's words on each would hide others.
    os.dup2(os.open(os.devnull, os.O_WRONLY), 2)
    sys.stdin.read()


if __name__ == "__main__":
    main()
