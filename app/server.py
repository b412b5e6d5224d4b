"""Starts the page: Streamlit with an upload route of its own beside it."""

import os
from dataclasses import dataclass
from pathlib import Path

from qc.data_folder import DATABASE_VARIABLE

MAIN = Path(__file__).with_name("main.py")


@dataclass(frozen=True)
class PageSettings:
    """How the page is served.

    Attributes
    ----------
    port : int
        TCP port.
    share : bool
        Open to phones and tablets in the shop's network; otherwise to this computer only.
    database : str or None
        Address of the records; by default the one of the environment or the user's data directory.
    open_browser : bool
        Open the page in this computer's browser.
    """

    port: int = 8501
    share: bool = False
    database: str | None = None
    open_browser: bool = False


def serve(settings: PageSettings) -> None:
    """Serve the page until it is stopped."""
    import streamlit as st
    from starlette.routing import Route

    from app.shop import store
    from app.upload import receive_photo
    from app.warm import warm_up
    from qc.retention import Housekeeper

    if settings.database:
        os.environ[DATABASE_VARIABLE] = settings.database
    warm_up()
    Housekeeper(store, st.cache_data.clear).start()
    page = st.App(MAIN, routes=[Route("/photo", receive_photo, methods=["POST"])])
    page.run(config=streamlit_config(settings))


def streamlit_config(settings: PageSettings) -> dict[str, object]:
    """Streamlit's own settings: no telemetry, no prompts, no watching of files, our colours."""
    return {
        "server.port": settings.port,
        "server.address": "0.0.0.0" if settings.share else "127.0.0.1",
        "server.headless": not settings.open_browser,  # headless: no prompt for an e-mail address either
        "server.showEmailPrompt": False,
        "server.fileWatcherType": "none",
        "server.runOnSave": False,
        "server.maxUploadSize": 50,  # MB; a phone's photo has up to 25
        "browser.gatherUsageStats": False,
        "client.toolbarMode": "minimal",
        "client.showErrorDetails": "none",
        "global.developmentMode": False,
        "logger.level": "warning",
        "logger.hideWelcomeMessage": True,  # our own line says where the page is; nothing is advertised on the page
        "theme.base": "light",
        "theme.primaryColor": "#0f5c73",
        "theme.backgroundColor": "#fbf8f3",
        "theme.secondaryBackgroundColor": "#f1ebe1",
        "theme.textColor": "#2b2622",
        "theme.baseRadius": "0.75rem",
        "theme.blueBackgroundColor": "#e6eff1",
        "theme.blueTextColor": "#0f5c73",
        "theme.greenBackgroundColor": "#dfecec",
        "theme.greenTextColor": "#0f5c73",
        "theme.redBackgroundColor": "#f8e3d6",
        "theme.redTextColor": "#8a3a0c",
        "theme.yellowBackgroundColor": "#f5eddc",
        "theme.yellowTextColor": "#5b4a1d",
    }
