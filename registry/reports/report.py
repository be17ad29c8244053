"""The printed report of a trial: plan, deviations, results, models, limits. A pure function; the
same facts give the same bytes."""

from registry.packages.words import INTERVALS, MODELS, SCOPE
from registry.paper.blocks import Block, bullets, document_pdf, heading, note, paragraph
from registry.paper.retrieval_sheet import SAFETY
from registry.reports.design import materials, piles, protocol, sites
from registry.reports.deviations import deviations
from registry.reports.facts import ReportFacts
from registry.reports.results import comparison, each_material, summary

NO_CERTIFICATE = "Coheap records and estimates. It does not certify."
DEFER_TO = (
    "The site's safety officer, the occupational physician, the fire service, the regulator for "
    "waste and environment, the organic certifier and, for claims of conformity, an accredited "
    "laboratory decide. This report does not."
)
FOOD = (
    "Compost of a trial holds residues and unknown additives: keep it off food crops unless the "
    "responsible authority or certifier agrees. Rules on waste, animal by-products and sewage are "
    "local."
)


def report_pdf(report: ReportFacts) -> bytes:
    """PDF of the whole report, A4, tagged, with page numbers."""
    standing = f"{report.standing}, {report.dated}"
    return document_pdf(
        title=f"{report.title}: report",
        subtitle=f"Trial {report.trial}. {standing}.",
        running=f"{report.trial}. {standing}",
        foot=f"{NO_CERTIFICATE} Model {report.model_version}, data {report.input_digest[:12]}.",
        blocks=report_blocks(report),
    )


def report_blocks(report: ReportFacts) -> list[Block]:
    return [
        note("What this is", [NO_CERTIFICATE, SCOPE]),
        *summary(report),
        *protocol(report),
        *sites(report),
        *materials(report),
        *piles(report),
        *deviations(report),
        *each_material(report),
        *comparison(report),
        *_models(report),
        *_limits(report),
    ]


def _models(report: ReportFacts) -> list[Block]:
    blocks = [heading("Models in words")]
    for name, (title, words) in MODELS.items():
        methods = sorted({r["method"] for r in report.estimates if r["model"] == name})
        if methods:
            blocks += [heading(title, 2), paragraph(words)]
            blocks.append(bullets([f"As run: {method}" for method in methods]))
    return [*blocks, heading("Intervals", 2), paragraph(INTERVALS)]


def _limits(report: ReportFacts) -> list[Block]:
    check = (
        f"Model version {report.model_version}, software version {report.software_version}. Digest "
        f"of the data that were pooled: {report.input_digest}. The data package of a release holds "
        "every row; ‘coheap recompute’ on it computes every pooled number again."
    )
    return [
        heading("Limits"),
        bullets(
            [
                SCOPE,
                "Nothing is said past the last look, and nothing of sites unlike these.",
                "A mesh bag spares the piece the knocks of turning, so items of fibre may look "
                "slower than loose ones (common practice, no source).",
                "Missing bags are not missing by chance when torn bags are those that broke down "
                "most; the results say what becomes of them either way.",
            ]
        ),
        heading("Cautions"),
        bullets([*SAFETY, FOOD]),
        heading("Who decides"),
        paragraph(DEFER_TO),
        heading("Check it"),
        paragraph(check),
    ]
