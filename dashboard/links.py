"""Which page stands at an address: news and rows name pages by their address."""

from __future__ import annotations

PAGES = {
    "bike": "views/bike.py",
    "dyno-trust": "views/dyno_trust.py",
    "map-revisions": "views/map_revisions.py",
    "remap-need": "views/remap_need.py",
    "what-came-in": "views/what_came_in.py",
    "what-may-i-quote": "views/what_may_i_quote.py",
}
