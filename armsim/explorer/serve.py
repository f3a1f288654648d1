"""Server of the page: reachable from this machine alone, with a token in the address."""

from __future__ import annotations

import secrets
import socket
from collections.abc import Callable

from nicegui import app, ui

from armsim.explorer.guard import Guard
from armsim.explorer.page import Page
from armsim.explorer.session import Session

HOST = "127.0.0.1"


def free_port() -> int:
    """Find a free TCP port on this machine."""
    with socket.socket() as server:
        server.bind((HOST, 0))
        port: int = server.getsockname()[1]
    return port


def serve(session: Session, port: int, browser: bool, ready: Callable[[str], None], token: str = "") -> None:
    """Serve the page of a session until interrupted.

    Parameters
    ----------
    session : Session
        With `Session.begin` called.
    port : int
    browser : bool
        Whether to open the page in a browser.
    ready : callable
        Called with the address as soon as the server answers.
    token : str
        Token in the address; a random one where empty.
    """
    secret = token or secrets.token_urlsafe(24)
    address = f"http://{HOST}:{port}/?token={secret}"

    ui.page("/")(lambda: _open_page(session))
    app.add_middleware(Guard, token=secret, port=port)
    app.on_startup(lambda: ready(address))
    app.on_shutdown(session.end)
    ui.run(
        host=HOST, port=port, reload=False, show=address if browser else False, title="armsim", dark=None,
        show_welcome_message=False, reconnect_timeout=30.0, favicon="📐", uvicorn_logging_level="error",
        endpoint_documentation="none",
    )  # fmt: skip


def _open_page(session: Session) -> None:
    Page(session)
