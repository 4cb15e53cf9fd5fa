"""Starting the server: where it listens, and what it says about that."""

import os
import socket
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

import segno
import uvicorn
from starlette.types import ASGIApp

from advisor.dialogue import moments
from advisor.errors import LogError
from advisor.page.security import Guard, kept_token
from advisor.page.views import Pages
from advisor.page.visits import Clock, Folder
from advisor.wording.page import page_text

PORT = 8765
HERE, EVERYWHERE = "127.0.0.1", "0.0.0.0"


def app_of(folder: Path, token: str, hosts: list[str], clock: Clock = moments.now) -> ASGIApp:
    """The guarded application for a folder of logs."""
    return Guard(Pages(Folder(folder, clock)).app(), token, hosts)


def serve(folder: Path, port: int, lan: bool, say: Callable[[str], object]) -> None:
    """Serve until Ctrl-C. Raises LogError where the folder or the port can't be used."""
    if not folder.is_dir():
        raise LogError(page_text("no-folder", folder=folder))
    host = lan_address() if lan else HERE
    token = kept_token(folder)
    with _listening(EVERYWHERE if lan else HERE, port) as listens:
        at = listens.getsockname()[1]
        address = f"http://{host}:{at}/enter?token={token}"
        say(page_text("address", address=address))
        if lan:
            say(qr_code(address))
        say(page_text("lan" if lan else "alone"))
        if not os.access(folder, os.W_OK):
            say(page_text("read-only", folder=folder))
        hosts = [f"{name}:{at}" for name in {host, HERE, "localhost"}]
        config = uvicorn.Config(
            app_of(folder, token, hosts), log_level="warning", access_log=False, server_header=False, lifespan="off",
            ws="none", http="h11", loop="asyncio", limit_concurrency=200, h11_max_incomplete_event_size=16_384,
            timeout_graceful_shutdown=2,
        )  # fmt: skip
        with suppress(KeyboardInterrupt):
            uvicorn.Server(config).run([listens])


def lan_address() -> str:
    """The address of this device on its network. LogError where it is on none."""
    with suppress(OSError), socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asked:
        asked.connect(("192.0.2.1", 9))  # RFC 5737: for documentation; nothing is sent by this
        return str(asked.getsockname()[0])
    raise LogError(page_text("no-network"))


def qr_code(address: str) -> str:
    """The address as a QR code in characters."""
    import io

    text = io.StringIO()
    segno.make(address, micro=False).terminal(out=text, compact=True)
    return text.getvalue()


def _listening(host: str, port: int) -> socket.socket:
    listens = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        listens.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listens.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)  # else each page waits 40 ms for its second half
        listens.bind((host, port))
        listens.listen(128)
    except (OSError, OverflowError) as error:
        listens.close()
        raise LogError(page_text("port", port=port, error=error)) from None
    return listens
