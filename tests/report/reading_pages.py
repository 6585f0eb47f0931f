"""Reading a report as a machine would: figures with their keys, texts, addresses."""

from __future__ import annotations

from html.parser import HTMLParser

VOID = {"meta", "link", "br", "input", "rect", "circle", "line", "use", "path", "img", "hr"}


class Page(HTMLParser):
    """Collects ``(key, value, text)`` of every printed figure, all attributes, and the text by element id."""

    def __init__(self, html):
        super().__init__(convert_charrefs=True)
        self.figures, self.attributes, self.tags, self.text = [], [], [], []
        self._open = None
        self._silent = 0
        self.feed(html)

    def handle_starttag(self, tag, attrs):
        named = dict(attrs)
        self.tags.append((tag, named))
        self.attributes += [(tag, name, value) for name, value in attrs]
        if tag in {"script", "style"}:
            self._silent += 1
        if "data-key" in named:
            self._open = [named["data-key"], named["data-value"], ""]

    def handle_endtag(self, tag):
        if tag in {"script", "style"}:
            self._silent -= 1
        if tag == "span" and self._open:
            self.figures.append(tuple(self._open))
            self._open = None

    def handle_data(self, data):
        if not self._silent:
            self.text.append(data)
        if self._open:
            self._open[2] += data

    @property
    def words(self):
        """All text a reader sees."""
        return plain(" ".join(self.text))


def plain(text):
    """The text with every kind of space as one blank."""
    return " ".join(text.split())


def printed_number(text):
    """The number a printed figure says."""
    return float(text.replace("\u2212", "-").replace("\u202f", "").replace("+", ""))


def last_place(text):
    """The step of the last printed digit."""
    _, _, decimals = text.partition(".")
    return 10.0 ** -len(decimals)


def at_key(documents, key):
    """The value that stands at ``comparisons/3/percent_change`` in the documents."""
    table, *path = key.split("/")
    found = getattr(documents, table)
    for step in path:
        found = found[int(step) if step.isdigit() else step]
    return found
