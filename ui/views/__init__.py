"""The pages, one file each: a few calls into bench and vision, no arithmetic."""

from __future__ import annotations

# group -> (file, title, icon, address)
PAGES: dict[str, list[tuple[str, str, str, str]]] = {
    "The job": [
        ("deck", "At the deck", ":material/home:", "deck"),
        ("walk", "Walk through", ":material/format_list_numbered:", "walk"),
        ("read", "Take and read", ":material/photo_camera:", "read"),
        ("log", "Logbook", ":material/menu_book:", "log"),
    ],
    "Tools": [
        ("geometry", "Arm geometry", ":material/architecture:", "geometry"),
        ("sheets", "Sheets to print", ":material/print:", "sheets"),
        ("connect", "Connect a phone", ":material/qr_code_2:", "connect"),
        ("care", "Care and help", ":material/health_and_safety:", "care"),
    ],
}

# Short names for the bar at the bottom of a phone.
SHORT = {"deck": "Deck", "walk": "Walk", "read": "Read", "log": "Log"}
