"""`siccast serve`: the shelf as a page for the browser, on this machine unless told otherwise."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from monitor.errors import SettingsError
from monitor.records.declared import LARGEST_PORT
from monitor.settings import load_shelf, shelf_folder

if TYPE_CHECKING:
    from monitor.settings import Shelf
    from monitor.web.access.who import Access

PORT = 8737  # a port; judgement: free of services that are often met
_LOOPBACK = "127.0.0.1"
_KEYS = {"calendar": "/drying.ics", "metrics": "/metrics"}
"""The addresses that have a key of their own."""


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command()(serve)
    app.command("page-password")(page_password)
    app.command("page-keys")(page_keys)


def serve(
    context: typer.Context,
    *,
    host: Annotated[
        str, typer.Option(help="Address to serve at: 0.0.0.0 for every device in your network.")
    ] = _LOOPBACK,
    port: Annotated[int, typer.Option(min=0, max=LARGEST_PORT, help="Port of the page. 0 takes a free one.")] = PORT,
    pair: Annotated[
        bool, typer.Option("--pair", help="Print a link that signs one device in. It works once, for ten minutes.")
    ] = False,
    name: Annotated[
        list[str] | None,
        typer.Option(help="Another name of this machine in your network. Give it once for each name."),
    ] = None,
    certificate: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Certificate (PEM) to serve the page encrypted.")
    ] = None,
    key: Annotated[Path | None, typer.Option(metavar="FILE", help="Key (PEM) of the certificate.")] = None,
    behind: Annotated[
        str, typer.Option(metavar="ADDRESS", help="Address of a reverse proxy whose X-Forwarded headers count.")
    ] = "",
) -> None:
    """Show all boxes in a browser until you press Ctrl-C."""
    from monitor.store.opening import require_begun
    from monitor.web.addresses import names_of_this_machine
    from monitor.web.app import create_app
    from monitor.web.guard import Served
    from monitor.web.serving import Server, listen_at, require_usable, uvicorn_settings

    if (certificate is None) != (key is None):
        raise typer.BadParameter("give both --certificate and --key", param_hint="'--certificate'")
    shelf = load_shelf(shelf_folder(context.obj))
    require_begun(shelf.folder)
    if certificate and key:
        require_usable(certificate, key)
    access = _access(shelf, host, pair=pair, behind=behind)
    listener = listen_at(host, port)
    scheme = "https" if certificate else "http"
    app = create_app(shelf, access=access, served=Served((*names_of_this_machine(), *(name or ())), behind))
    _tell(shelf, access, scheme, host, listener.getsockname()[1], pair=pair)
    settings = uvicorn_settings(app, certificate=certificate, key=key, behind=behind)
    Server(settings, app.state.subscribers).run(sockets=[listener])


def _access(shelf: Shelf, host: str, *, pair: bool, behind: str) -> Access:
    """Return who may see the pages; on the network nobody may without a password or a link."""
    from monitor.web.access.secret import SecretFile
    from monitor.web.access.who import LOOPBACK, Access

    file = SecretFile(shelf.folder)
    secret = file.read()
    if not secret.password_hash and not pair and (behind or host not in LOOPBACK):
        where = f"behind {behind}" if behind else f"at {host}"
        raise SettingsError(
            f"can't serve {where} without a password: run `siccast page-password` first, or add --pair for a link"
            " that signs one device in"
        )
    file.begin()
    return Access(file, is_behind_proxy=bool(behind))


def _tell(shelf: Shelf, access: Access, scheme: str, host: str, port: int, *, pair: bool) -> None:
    """Say where the page is, for this machine and for others."""
    from monitor.web.addresses import EVERY_ADDRESS, as_code, in_address, own_addresses

    local = _LOOPBACK if host in EVERY_ADDRESS else host
    here = f"{scheme}://{in_address(local)}:{port}"
    typer.echo(f"The shelf of {shelf.site} is at {here}/ (Ctrl-C stops it)")
    others = [f"{scheme}://{in_address(one)}:{port}" for one in own_addresses() if host == "::" or ":" not in one]
    if host in EVERY_ADDRESS:
        typer.echo("Other devices open " + (" or ".join(f"{one}/" for one in others) or "nothing: there is no network"))
    if pair:
        link = f"{others[0] if host in EVERY_ADDRESS and others else here}/enter?code={access.pairing.begin()}"
        typer.echo(f"This link signs one device in, within ten minutes: {link}")
        if sys.stdout.isatty():
            typer.echo(as_code(link))
    sys.stdout.flush()


def page_password(
    context: typer.Context,
    *,
    here_too: Annotated[
        bool, typer.Option("--here-too", help="Ask for the password on this machine too, not only on others.")
    ] = False,
    remove: Annotated[bool, typer.Option("--remove", help="Have no password any more.")] = False,
) -> None:
    """Set the password that other devices need to see the page."""
    from monitor.web.access.password import hashed
    from monitor.web.access.secret import Secret, SecretFile

    shelf = load_shelf(shelf_folder(context.obj))
    if not shelf.folder.is_dir():
        raise SettingsError(f"there is no folder {shelf.folder}. Run `siccast listen` there first")
    kept = "" if remove else hashed(typer.prompt("Password", hide_input=True, confirmation_prompt="The same again"))
    SecretFile(shelf.folder).keep(Secret(password_hash=kept, asked_here=here_too and not remove))
    done = "There is no password any more" if remove else "The password is set"
    typer.echo(f"{done}. Every device that was signed in has to sign in again")


def page_keys(
    context: typer.Context,
    *,
    renew: Annotated[
        str | None,
        typer.Option(metavar="WHICH", help="Make another one: calendar or metrics. The one before then opens nothing."),
    ] = None,
) -> None:
    """Show the keys by which programs read the calendar and the metrics.

    They are needed where people sign in. Each opens its one address and nothing else.
    """
    from monitor.web.access.secret import SecretFile

    shelf = load_shelf(shelf_folder(context.obj))
    if not shelf.folder.is_dir():
        raise SettingsError(f"there is no folder {shelf.folder}. Run `siccast listen` there first")
    file = SecretFile(shelf.folder)
    if renew is not None:
        if renew not in _KEYS:
            raise typer.BadParameter(f"'{renew}' is not known: write {' or '.join(_KEYS)}", param_hint="'--renew'")
        file.read()  # a slip in the file is said, and nothing else put in its place
        file.change(lambda kept: kept.with_another_key_of(_KEYS[renew]))
    secret = file.lasting()
    typer.echo(f"calendar  {_KEYS['calendar']}?key={secret.key_of(_KEYS['calendar'])}")
    typer.echo(f"metrics   {_KEYS['metrics']}, with the header Authorization: Bearer {secret.key_of(_KEYS['metrics'])}")
