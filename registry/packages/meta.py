"""What a release says about itself, beside its tables."""

from dataclasses import dataclass, field
from datetime import datetime

LICENCES = {
    "CC-BY-4.0": (
        "Creative Commons Attribution 4.0 International",
        "https://creativecommons.org/licenses/by/4.0/",
    ),
    "CC-BY-SA-4.0": (
        "Creative Commons Attribution-ShareAlike 4.0 International",
        "https://creativecommons.org/licenses/by-sa/4.0/",
    ),
    "CC0-1.0": (
        "Creative Commons Zero v1.0 Universal",
        "https://creativecommons.org/publicdomain/zero/1.0/",
    ),
    "ODbL-1.0": (
        "Open Data Commons Open Database License v1.0",
        "https://opendatacommons.org/licenses/odbl/1-0/",
    ),
}


@dataclass(frozen=True, slots=True)
class Contributor:
    """An organisation that contributed; `ror` is its ROR identifier as a URL, or blank."""

    name: str
    country: str = ""
    ror: str = ""


@dataclass(frozen=True, slots=True)
class Person:
    """Someone who asked to be named, by giving an ORCID identifier (a URL)."""

    name: str
    orcid: str
    affiliation: Contributor | None = None

    @property
    def family_name(self) -> str:
        """The last word: right for most names, and what a citation needs; never blank."""
        return self.name.split()[-1]

    @property
    def given_names(self) -> str:
        return " ".join(self.name.split()[:-1])


@dataclass(frozen=True, slots=True)
class ReleaseMeta:
    """Facts about one release. The same facts and tables always give the same package."""

    trial: str
    title: str
    version: int
    created_at: datetime  # with a zone
    licence: str  # SPDX identifier
    contributors: tuple[Contributor, ...]
    software_version: str
    model_version: str
    input_digest: str
    people: tuple[Person, ...] = ()
    notes: str = ""
    url: str = ""  # of the release's page, or blank
    package_url: str = ""  # where the zip can be fetched, or blank
    previous_version: int | None = None
    keywords: tuple[str, ...] = field(
        default=("compost", "disintegration", "litter bag", "multi-site trial", "horticulture")
    )

    @property
    def name(self) -> str:
        """Machine-readable name, as a Data Package wants it: lower case, no spaces."""
        return f"coheap-{self.trial.lower()}-v{self.version}"

    @property
    def full_title(self) -> str:
        return f"{self.title}: data and pooled estimates, version {self.version}"

    @property
    def description(self) -> str:
        about = (
            f"Looks at mesh bags of compostable items in working compost piles at several sites, "
            f"with temperatures, recipes and turnings of the piles, and decay rates pooled with "
            f"site as a random effect. Release {self.version} of trial {self.trial}."
        )
        return f"{about} {self.notes}".strip()

    @property
    def licence_title(self) -> str:
        return LICENCES.get(self.licence, (self.licence, ""))[0]

    @property
    def licence_url(self) -> str:
        default = f"https://spdx.org/licenses/{self.licence}.html"
        return LICENCES.get(self.licence, ("", default))[1]
