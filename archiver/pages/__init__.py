"""Pages for people: the session's page, and the papers of a deposit.

Renders what it is handed; nothing here measures, opens a file or looks at a clock. The
pages need the rooms to the left, so nothing is re-exported here.
"""

__all__: list[str] = []
