"""Settings in words, exact and as set on the dial. Pure standard library."""

from __future__ import annotations

from kitgauge.exposure import (
    dial_f_number,
    dial_iso,
    dial_shutter,
    format_exact_f_number,
    format_exact_iso,
    format_exact_shutter,
)


def iso_words(iso: float) -> tuple[str, str]:
    """Return an ISO in words: exact, and as set on the dial."""
    return format_exact_iso(iso), format_exact_iso(dial_iso(iso))


def shutter_words(time_s: float) -> tuple[str, str]:
    """Return a shutter time in words: exact, and as set on the dial."""
    return format_exact_shutter(time_s), format_exact_shutter(dial_shutter(time_s))


def range_words(low: float, high: float) -> tuple[str, str]:
    """Return a range of f-numbers in words: exact, and as set on the dial."""

    def words(first: float, last: float) -> str:
        return f"{format_exact_f_number(first)} to {format_exact_f_number(last)}"

    return words(low, high), words(dial_f_number(low, up=True), dial_f_number(high, up=False))


def sharp_range(low: float, high: float) -> str:
    """Return a range of exact f-numbers in words: 'f/3.44 to f/10.3 (on the dial f/3.5 to f/10)'."""
    exact, dial = range_words(low, high)
    return exact if exact == dial else f"{exact} (on the dial {dial})"


def iso_up_to(iso: float) -> str:
    """Return an exact ISO in words: 'ISO 8540 (on the dial ISO 8000)'."""
    exact, dial = iso_words(iso)
    return exact if exact == dial else f"{exact} (on the dial {dial})"
