"""Every address of the API, version 1."""

from django.urls import URLPattern, path, re_path
from drf_spectacular.views import SpectacularAPIView, SpectacularSwaggerSplitView

from api.v1 import (
    across_trials,
    client_download,
    error_reference,
    errors,
    estimates,
    explanations,
    export,
    history,
    outside_studies,
    paper,
    photos,
    pile_curves,
    pile_heat,
    pile_recipe,
    plan,
    quality,
    ratings,
    records,
    registration,
    releases,
    reports,
    temperatures,
    uploads,
)
from registry.packages.stored import DOCUMENTS

app_name = "api"


def release_parts(place: str) -> list[URLPattern]:
    """What belongs to one release, named by its id or by its trial and version."""
    return [
        path(f"{place}notices/", releases.ReleaseNotices.as_view()),
        *(
            path(f"{place}{word}/", releases.PackageDocument.as_view(), {"word": word})
            for word in DOCUMENTS
        ),
    ]


urlpatterns = [
    path("institutions/", registration.Institutions.as_view()),
    path("sites/", registration.Sites.as_view()),
    path("trials/", registration.Trials.as_view(), name="trials"),
    path("trials/<str:trial>/", registration.OneTrial.as_view()),
    path("trials/<str:trial>/state/", registration.TrialStates.as_view()),
    path("trials/<str:trial>/pooling-runs/", estimates.RequestPooling.as_view()),
    path("trials/<str:trial>/releases/", releases.FreezeRelease.as_view()),
    path("trials/<str:trial>/releases/<int:version>/", releases.OneRelease.as_view()),
    path("trials/<str:trial>/releases/<int:version>/package/", releases.Package.as_view()),
    *release_parts("trials/<str:trial>/releases/<int:version>/"),
    path("trials/<str:trial>/releases/<int:version>/report/", reports.ReleaseReport.as_view()),
    path("trials/<str:trial>/export/", export.TrialExport.as_view(), name="trial-export"),
    path("export/", export.Export.as_view(), name="export"),
    *[path(f"{name}/", records.list_view(name).as_view()) for name in records.LISTS],
    path("materials/<str:code>/", records.detail_view("materials", key="code").as_view()),
    path("piles/<int:pk>/", records.detail_view("piles").as_view()),
    path("piles/<int:pk>/heat/", pile_heat.PileHeat.as_view(), name="pile-heat"),
    path("piles/<int:pk>/recipe/", pile_recipe.PileRecipe.as_view(), name="pile-recipe"),
    path("piles/<int:pk>/curves/", pile_curves.CurvesOfPile.as_view(), name="curves-of-pile"),
    path("pile-curves/", pile_curves.Curves.as_view(), name="pile-curves"),
    path("bags/<int:pk>/", records.detail_view("bags").as_view()),
    path("retrievals/<int:pk>/", quality.OneRetrieval.as_view()),
    path("retrievals/<int:pk>/corrections/", quality.CorrectRetrieval.as_view()),
    path("temperatures/", temperatures.TemperatureList.as_view()),
    path("uploads/", uploads.Uploads.as_view()),
    path("uploads/<int:pk>/", uploads.OneUpload.as_view(), name="upload"),
    path("uploads/<int:pk>/annotated/", uploads.AnnotatedUpload.as_view(), name="annotated"),
    path("uploads/<int:pk>/original/", uploads.OriginalUpload.as_view(), name="original"),
    path("retrievals/<int:pk>/photos/", photos.AddPhoto.as_view()),
    path("photos/", photos.Photos.as_view(), name="photos"),
    path("photos/<int:pk>/", photos.OnePhoto.as_view()),
    path("photos/<int:pk>/file/", photos.PhotoFile.as_view(), name="photo-file"),
    path("photos/<int:pk>/thumbnail/", photos.PhotoThumbnail.as_view(), name="photo-thumbnail"),
    path("photos/<int:pk>/withdrawal/", photos.WithdrawPhoto.as_view()),
    path("flags/", quality.Flags.as_view()),
    path("flags/<int:pk>/", quality.OneFlag.as_view()),
    path("flags/<int:pk>/decision/", quality.DecideFlag.as_view()),
    path("corrections/", quality.Corrections.as_view()),
    path("history/", history.History.as_view()),
    path("pooling-runs/", estimates.Runs.as_view()),
    path("pooling-runs/<int:pk>/", estimates.OneRun.as_view(), name="run"),
    path("pooling-runs/<int:pk>/report/", reports.RunReport.as_view(), name="run-report"),
    path("estimates/", estimates.Estimates.as_view(), name="estimates"),
    path("plan/", plan.Planning.as_view(), name="plan"),
    path("outside-studies/", outside_studies.OutsideStudies.as_view()),
    path("outside-studies/<str:study>/withdrawal/", outside_studies.WithdrawStudy.as_view()),
    path("estimates/across/", across_trials.Across.as_view(), name="across"),
    path("explanations/", explanations.Explanations.as_view()),
    path("explanations/<int:pk>/", explanations.OneExplanation.as_view(), name="explanation"),
    path("estimates/<int:pk>/", estimates.OneEstimate.as_view(), name="estimate"),
    path("releases/", releases.Releases.as_view(), name="releases"),
    path("releases/<int:pk>/", releases.OneRelease.as_view(), name="release"),
    *release_parts("releases/<int:pk>/"),
    path("releases/<int:pk>/report/", reports.ReleaseReport.as_view(), name="release-report"),
    path("releases/<int:pk>/package/", releases.Package.as_view(), name="package"),
    path("ratings/", ratings.Ratings.as_view(), name="ratings"),
    path("datacite/", releases.DataciteRecords.as_view(), name="datacite"),
    path("labels/", paper.Labels.as_view(), name="labels"),
    path("retrieval-sheets/", paper.RetrievalSheets.as_view(), name="retrieval-sheets"),
    path("client/coheap_client.py", client_download.ClientFile.as_view(), name="client"),
    path("schema/", SpectacularAPIView.as_view(), name="schema"),
    path(
        "docs/",
        SpectacularSwaggerSplitView.as_view(
            url_name="api:schema", template_name="api/reference.html"
        ),
        name="docs",
    ),
    path("docs/errors/", error_reference.page, name="errors"),
    re_path(r"", errors.not_found),  # also with a line break in it
]
