"""``gapvision page``: serve the page, to this machine only or to the workshop's network."""

from __future__ import annotations

import argparse
import socket
import sys

from gapvision.commands._records import add_data
from gapvision.errors import GapvisionError

_PORT = 8501


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.epilog = "Example, after 'gapvision demo-job': gapvision page --data gapvision_demo_job"
    parser.add_argument("--lan", action="store_true", help="serve the workshop's network, behind a passcode")
    parser.add_argument(
        "--passcode", metavar="WORD", help="passcode for --lan, 6 letters or digits or more (default: made anew)"
    )
    parser.add_argument(
        "--port", type=int, default=_PORT, help=f"port (default: {_PORT}; a free one is taken when it is in use)"
    )
    parser.add_argument("--no-browser", action="store_true", help="do not open the browser")
    add_data(parser)


def run(args: argparse.Namespace) -> int:
    """Say where the page is, and serve it until Ctrl+C."""
    import os

    from gapvision.page.guard import Guard, make_passcode, plain

    if args.data:
        os.environ["GAPVISION_DATA"] = args.data
    if args.passcode is not None and not args.lan:
        raise GapvisionError(
            "value-out-of-range",
            "A passcode is only for the workshop's network.",
            "Add --lan, or leave the passcode out.",
        )
    if args.passcode is not None and len(plain(args.passcode)) < 6:
        raise GapvisionError(
            "value-out-of-range", "The passcode is too short to keep anyone out.", "Give 6 letters or digits or more."
        )
    if not 1 <= args.port <= 65535:
        raise GapvisionError("value-out-of-range", f"{args.port} is not a port.", "Give a number from 1024 to 65535.")
    bind = "0.0.0.0" if args.lan else "127.0.0.1"
    port = free_port(bind, args.port)
    if args.lan:
        passcode = args.passcode or make_passcode()
        address = own_address()
        _announce(f"http://{address}:{port}", passcode)
        guard = Guard(passcode)
    else:
        address = "127.0.0.1"
        print(f"The page is at http://localhost:{port} and serves only this machine. Stop it with Ctrl+C.", flush=True)
        guard = Guard()
    if not args.no_browser:
        _open_when_up(f"http://localhost:{port}", port)
    from gapvision.page.server import run_page

    run_page(address=bind, port=port, guard=guard)
    return 0


def free_port(bind: str, wanted: int) -> int:
    """The wanted port, or the next free one of twenty.

    Raises
    ------
    GapvisionError
        ``value-out-of-range`` when all are in use.
    """
    for port in range(wanted, min(wanted + 20, 65536)):
        with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as probe:
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                probe.bind((bind, port))
            except OSError:
                continue
            return port
    raise GapvisionError(
        "value-out-of-range", f"The ports from {wanted} on are all in use.", "Give another one with --port."
    )


def own_address() -> str:
    """Find this machine's address in its network; nothing is sent to find it."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            # A datagram socket only looks up the route; 192.0.2.1 is a documentation address (RFC 5737).
            probe.connect(("192.0.2.1", 9))
            return str(probe.getsockname()[0])
        except OSError:
            return socket.gethostname()


def _announce(address: str, passcode: str) -> None:
    """Address, passcode and a QR code of the address for the phone."""
    import segno

    print(f"The page is at {address} for every machine in this network.")
    print(f"Passcode: {passcode}")
    print("Photograph this code with the phone, then type the passcode:", flush=True)
    segno.make(address, micro=False).terminal(out=sys.stdout, compact=True)
    print(
        "Traffic in the network is not encrypted: use it only in a network you trust. Stop it with Ctrl+C.", flush=True
    )


def _open_when_up(address: str, port: int) -> None:
    """Open the browser once the server answers."""
    import threading
    import time
    import webbrowser

    def wait() -> None:
        for _ in range(100):
            with socket.socket() as probe:
                probe.settimeout(0.2)
                if probe.connect_ex(("127.0.0.1", port)) == 0:
                    webbrowser.open(address)
                    return
            time.sleep(0.1)

    threading.Thread(target=wait, daemon=True).start()
