"""The server of the page: this machine alone, a token in the address, nothing fetched from elsewhere."""

from __future__ import annotations

import secrets
import socket
from collections.abc import Callable

from nicegui import app, ui

from armsim.explorer.guard import Guard
from armsim.explorer.page import Page
from armsim.explorer.session import Desk

HOST = "127.0.0.1"


def free_port() -> int:
    """A port that nobody listens at."""
    with socket.socket() as own:
        own.bind((HOST, 0))
        port: int = own.getsockname()[1]
    return port


def serve(desk: Desk, port: int, browser: bool, ready: Callable[[str], None], token: str = "") -> None:
    """Serve the page of a desk until it is stopped.

    Parameters
    ----------
    desk : Desk
        Begun already.
    port : int
    browser : bool
        Whether to open the page in one.
    ready : callable
        Told the address as soon as it answers.
    token : str
        Of the address; a random one where not given.
    """
    own = token or secrets.token_urlsafe(24)
    address = f"http://{HOST}:{port}/?token={own}"

    ui.page("/")(lambda: _begin(desk))
    app.add_middleware(Guard, token=own, port=port)
    app.on_startup(lambda: ready(address))
    app.on_shutdown(desk.end)
    ui.run(
        host=HOST, port=port, reload=False, show=address if browser else False, title="armsim", dark=None,
        show_welcome_message=False, reconnect_timeout=30.0, favicon="📐", uvicorn_logging_level="error",
        endpoint_documentation="none",
    )  # fmt: skip


def _begin(desk: Desk) -> None:
    Page(desk)
