"""The brief: one page per lot to take along, as PDF and as HTML, and an order of visits.

`content` turns a run into plain values, `page.typ` and `pages` lay them out; a text never reaches markup: the template
reads it as a value from JSON, the page escapes it.
"""
