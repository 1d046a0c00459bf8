"""Makes hidden signs visible: names come from logs. Pure."""

from typing import Any


def visible(words: str) -> str:
    """Text with every sign that could hide or turn it shown as its number; line ends stay."""
    if words.isprintable():
        return words
    return "".join(sign if sign.isprintable() or sign == "\n" else f"\\x{ord(sign):02x}" for sign in words)


def shown(value: Any) -> Any:
    """What a template prints for a value: plain text with its hidden signs visible, markup of a template as it is."""
    return visible(value) if isinstance(value, str) and not hasattr(value, "__html__") else value
