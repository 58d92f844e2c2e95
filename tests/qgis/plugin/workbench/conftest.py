"""Changes of an open survey without widgets."""

from turnrow.processing_provider.engine.workflow import edit_commands as changes


def note(session, key):
    return changes.note_in_force(session.sources.notes, session.edits, key, session.recordings(key))


def changed(session, edits, channel="cond"):
    """Take edits over and process what they touch."""
    for grid in session.change("a change", edits):
        session.accept(grid, session.again(grid, channel)(None))
