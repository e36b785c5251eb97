"""The card of an invented kit, made once."""

from __future__ import annotations

from pathlib import Path

import pytest
from card_kits import LENS, ZOOM, highest_iso, sharp, shutter, write_kit

from kitgauge.card.chooser import ChooserTable, chooser_table
from kitgauge.card.content import card_of
from kitgauge.card.kit import CardKit, read_card_kit
from kitgauge.card.page import card_page


@pytest.fixture(scope="session")
def kit_results(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_kit(
        tmp_path_factory.mktemp("results"),
        [
            shutter(50.0, 0.02, "standing"),
            shutter(50.0, 0.05, "seated <i>low</i>"),
            sharp(LENS, 50.0, 2.8, 9.0),
            sharp(ZOOM, 70.0, 5.6, 11.4),
            sharp(ZOOM, 200.0, 8.0, 11.4),
            highest_iso(4500.0),
        ],
    )


@pytest.fixture(scope="session")
def card_kit(kit_results: Path) -> CardKit:
    return read_card_kit(kit_results, focals_mm=(50.0, 100.0))


@pytest.fixture(scope="session")
def chooser(card_kit: CardKit) -> ChooserTable:
    return chooser_table(card_kit)


@pytest.fixture(scope="session")
def page_text(card_kit: CardKit, chooser: ChooserTable) -> str:
    return card_page(card_of(card_kit), chooser)
