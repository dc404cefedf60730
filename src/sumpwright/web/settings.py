"""Settings of the server, from the environment or from the command line."""

from __future__ import annotations

from typing import Literal

from pydantic_settings import BaseSettings, SettingsConfigDict

MB = 1024 * 1024


class WebSettings(BaseSettings):
    """How the pages are served; each setting is also ``SUMPWRIGHT_WEB_<NAME>``.

    Parameters
    ----------
    db : str or None
        Yard file or database address; as for the shell when left out.
    host, port
        Where to listen.
    share : bool
        Whether other devices on the network may come in, with a pairing code.
    names : tuple of str
        Further names under which the server is addressed, such as ``yard.lan``.
    loopback_keeper : bool
        Whether whoever sits at this machine is the keeper without pairing. Turn it
        off behind a reverse proxy, where every visitor seems to sit here.
    largest_body, largest_upload, largest_import : int
        Bytes that a form, a photograph and an import may have.
    log : {'text', 'json'}
        How log lines are written.
    warm : bool
        Whether to load the slow libraries before the first visitor needs them.
    """

    model_config = SettingsConfigDict(env_prefix="SUMPWRIGHT_WEB_", frozen=True)

    db: str | None = None
    host: str = "127.0.0.1"
    port: int = 8420
    share: bool = False
    names: tuple[str, ...] = ()
    loopback_keeper: bool = True
    largest_body: int = MB
    largest_upload: int = 26 * MB
    largest_import: int = 128 * MB
    log: Literal["text", "json"] = "text"
    warm: bool = True
