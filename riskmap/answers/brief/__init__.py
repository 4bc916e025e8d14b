"""The brief: one page per lot to take along, as PDF and as HTML, and an order of visits.

`content` turns a run into plain values; `page.typ` and `pages` lay them out. A text never becomes markup: the template
reads it as a value from JSON, and the HTML page escapes it.
"""
