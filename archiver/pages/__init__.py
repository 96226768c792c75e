"""Pages for people: the session's page as HTML, from what the other rooms have found out.

Renders what it is handed; nothing here measures, opens a file or looks at a clock. The
pages need the rooms to the left, so nothing is re-exported here.
"""

__all__: list[str] = []
