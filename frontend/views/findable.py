"""For search engines: which public pages there are, and where not to look."""

from xml.etree import ElementTree

from django.conf import settings
from django.http import HttpRequest, HttpResponse
from django.urls import reverse
from django.views.decorators.http import require_safe

from registry.models import Material, Release, Trial
from registry.packages.links import page_url
from registry.permissions import ANYONE, visible_to

NAMESPACE = "http://www.sitemaps.org/schemas/sitemap/0.9"
PLAIN_PAGES = ("home", "materials", "trials", "releases", "across", "methods", "glossary", "safety")


@require_safe
def sitemap(request: HttpRequest) -> HttpResponse:
    """Every page that anyone may read, whoever asks; embargoed releases are not among them."""
    root = ElementTree.Element("urlset", xmlns=NAMESPACE)
    for name in PLAIN_PAGES:
        _add(root, _address(name))
    for code in visible_to(ANYONE, Material).values_list("code", flat=True).distinct():
        _add(root, _address("material", code))
    for code in visible_to(ANYONE, Trial).values_list("code", flat=True):
        _add(root, _address("trial", code))
    for release in visible_to(ANYONE, Release).select_related("trial"):
        _add(root, page_url(release), changed=f"{release.created_at:%Y-%m-%d}")
    text = ElementTree.tostring(root, encoding="utf-8", xml_declaration=True)
    return HttpResponse(text, content_type="application/xml")


@require_safe
def robots(request: HttpRequest) -> HttpResponse:
    lines = ["User-agent: *", "Disallow: /log-in/", f"Sitemap: {_address('sitemap')}", ""]
    return HttpResponse("\n".join(lines), content_type="text/plain; charset=utf-8")


def _add(root: ElementTree.Element, address: str, changed: str = "") -> None:
    entry = ElementTree.SubElement(root, "url")
    ElementTree.SubElement(entry, "loc").text = address
    if changed:
        ElementTree.SubElement(entry, "lastmod").text = changed


def _address(name: str, *args: str) -> str:
    return f"{settings.BASE_URL}{reverse(f'frontend:{name}', args=args)}"
