"""The words that a page uses, explained on the page itself."""

from django import template

from frontend.presenters.glossary import Entry, entries

register = template.Library()


@register.simple_tag
def words_explained(keys: str) -> list[Entry]:
    """Entries by their keys, written with blanks between; an unknown key is a programmer's slip."""
    wanted = keys.split()
    found = [entry for entry in entries() if entry.key in wanted]
    if len(found) != len(set(wanted)):
        raise template.TemplateSyntaxError(f"A word is not in the glossary: {keys}")
    return found
