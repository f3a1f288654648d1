"""Server of the page: reachable from this machine alone, with a token in the address."""

from __future__ import annotations

import asyncio
import html
import os
import secrets
import socket
import tempfile
import threading
import webbrowser
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from nicegui import app, background_tasks, ui

from armsim.errors import InputError, Problem
from armsim.explorer.entrance import Entrance
from armsim.explorer.guard import Guard
from armsim.explorer.page import Page
from armsim.explorer.start_page import StartPage

HOST = "127.0.0.1"
RETRY = 0.01
"""Seconds between attempts to reach the server that starts."""


def check_port(port: int) -> int:
    """Check that a TCP port of this machine can be served; find a free one where 0.

    Raises
    ------
    InputError
        Something else serves it, or it may not be served.
    """
    with socket.socket() as server:
        if os.name == "posix":  # elsewhere it would take a port that is served
            server.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            server.bind((HOST, port))
        except OSError as error:
            finding = f"{port} cannot be served: {(error.strerror or str(error)).lower()}"
            raise InputError(
                Problem("command line", 0, 0, "--port", finding, "another port; 0 for a free one")
            ) from error
        free: int = server.getsockname()[1]
    return free


def private_page(address: str) -> Path:
    """Write a page that redirects to an address and that only this user can read.

    A browser is started with its name: all users can read command lines of programs, and the token is in the address.
    """
    handle, name = tempfile.mkstemp(prefix="armsim-", suffix=".html")  # readable by its owner alone
    with os.fdopen(handle, "w", encoding="utf-8") as file:
        link = html.escape(address)
        file.write(f'<meta http-equiv="refresh" content="0; url={link}"><a href="{link}">armsim</a>')
    return Path(name)


def serve(entrance: Entrance, port: int, browser: bool, ready: Callable[[str], None]) -> None:
    """Serve the page of a session until interrupted; where there is none yet, the page on which it is chosen.

    Parameters
    ----------
    entrance : Entrance
    port : int
    browser : bool
        Whether to open the page in a browser.
    ready : callable
        Called with the address as soon as the server answers.
    """
    token = secrets.token_urlsafe(24)
    address = f"http://{HOST}:{port}/?token={token}"
    login_page = private_page(address) if browser else None

    async def announce() -> None:
        while True:  # the server is told to start before it listens
            with suppress(OSError):
                (await asyncio.open_connection(HOST, port))[1].close()
                break
            await asyncio.sleep(RETRY)
        ready(address)
        if login_page is not None:
            threading.Thread(target=webbrowser.open, args=(login_page.as_uri(),), daemon=True).start()

    app.config.quasar_config["loadingBar"]["skipHijack"] = True  # a bar without a name; the page says itself what runs
    ui.page("/")(lambda: _open_page(entrance))
    app.add_middleware(Guard, token=token, port=port)
    app.on_startup(lambda: background_tasks.create(announce(), name="announce"))
    app.on_shutdown(entrance.leave)
    try:
        ui.run(
            host=HOST, port=port, reload=False, show=False, title="armsim", dark=None, show_welcome_message=False,
            reconnect_timeout=30.0, favicon="📐", uvicorn_logging_level="error", endpoint_documentation="none",
            timeout_graceful_shutdown=1,
        )  # fmt: skip
    finally:
        if login_page is not None:
            with suppress(OSError):
                login_page.unlink()


def _open_page(entrance: Entrance) -> None:
    if entrance.session is None:
        StartPage(entrance)
    else:
        Page(entrance.session, entrance.command)
