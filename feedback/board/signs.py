"""Makes hidden signs visible: names come from logs. Pure."""


def visible(words: str) -> str:
    """Text with every sign that could hide or turn it shown as its number; line ends stay."""
    if words.isprintable():
        return words
    return "".join(sign if sign.isprintable() or sign == "\n" else f"\\x{ord(sign):02x}" for sign in words)
