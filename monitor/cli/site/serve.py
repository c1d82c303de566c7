"""`siccast serve`: the shelf as a page for the browser, on this machine unless told otherwise."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from monitor.errors import SettingsError
from monitor.records.declared import LARGEST_PORT
from monitor.settings import load_shelf, shelf_folder

if TYPE_CHECKING:
    import socket

PORT = 8737  # a port; judgement: free of services that are often met


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command()(serve)


def serve(
    context: typer.Context,
    host: Annotated[str, typer.Option(help="Address of the page. The page has no password.")] = "127.0.0.1",
    port: Annotated[int, typer.Option(min=0, max=LARGEST_PORT, help="Port of the page. 0 takes a free one.")] = PORT,
) -> None:
    """Show all boxes in a browser until you press Ctrl-C."""
    import uvicorn

    from monitor.store.opening import require_begun
    from monitor.web.app import create_app
    from monitor.web.guard import LOOPBACK
    from monitor.web.server import PageServer

    shelf = load_shelf(shelf_folder(context.obj))
    require_begun(shelf.folder)
    listener = _listen_at(host, port)
    if host not in LOOPBACK:
        typer.echo("siccast: the page has no password. Anyone who can reach this address can read it", err=True)
    name = f"[{host}]" if ":" in host else host
    typer.echo(f"The shelf of {shelf.site} is at http://{name}:{listener.getsockname()[1]}/ (Ctrl-C stops it)")
    app = create_app(shelf, host)
    settings = uvicorn.Config(app, log_level="warning", access_log=False, server_header=False, lifespan="on")
    PageServer(settings, app.state.subscribers).run(sockets=[listener])


def _listen_at(host: str, port: int) -> socket.socket:
    import socket

    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    listener = socket.socket(family, socket.SOCK_STREAM)
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listener.bind((host, port))
        listener.listen()  # from here on a browser waits instead of being refused
    except OSError as error:
        listener.close()
        raise SettingsError(
            f"can't serve at {host} port {port}: {error.strerror}. Try another --host or --port"
        ) from error
    return listener
