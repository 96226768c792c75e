"""The whole order: the only package that knows all rooms.

``new`` lays out a session folder, ``check`` looks it over, ``archive`` makes the bag, and
``verify`` goes back to a verdict. The modules decide what happens when; the rooms know how.
"""
