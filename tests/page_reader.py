"""Read a page of ours as a person would: its words, in order; its tags and attributes for whoever asks."""

import re
from html.parser import HTMLParser


class Reader(HTMLParser):
    """Collects text, tags, attributes and ids of a page."""

    def __init__(self, html):
        super().__init__()
        self.words, self.tags, self.attributes, self.open = [], [], [], []
        self.feed(html)

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.attributes += attrs
        self.open.append(tag)

    def handle_endtag(self, tag):
        while self.open and self.open.pop() != tag:
            pass

    def handle_data(self, data):
        if "style" not in self.open:
            self.words.append(data)

    @property
    def text(self):
        return re.sub(r"\s+", " ", " ".join(self.words).replace("\u00a0", " "))
