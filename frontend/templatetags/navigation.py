"""Where the reader is, for the links of the header."""

from django import template
from django.urls import reverse
from django.utils.html import format_html
from django.utils.safestring import SafeString

register = template.Library()


@register.simple_tag(takes_context=True)
def nav_link(context: template.Context, name: str, label: str) -> SafeString:
    """A link; marked as the current page, or as the section the page lies in."""
    address = reverse(name)
    request = context.get("request")
    here = request.path if request else ""
    if here == address:
        return format_html('<a href="{}" aria-current="page">{}</a>', address, label)
    if here.startswith(address):
        return format_html('<a href="{}" aria-current="true">{}</a>', address, label)
    return format_html('<a href="{}">{}</a>', address, label)
