"""Addresses of the pages."""

from django.urls import path

from frontend.views import (
    account,
    across,
    coordinator,
    findable,
    grower,
    joining,
    lab,
    members,
    piles,
    trials,
)

app_name = "frontend"
urlpatterns = [
    path("", grower.home, name="home"),
    path("materials/", grower.materials, name="materials"),
    path("materials/<str:code>/", grower.material, name="material"),
    path("methods/", grower.methods, name="methods"),
    path("glossary/", grower.glossary, name="glossary"),
    path("safety/", grower.safety, name="safety"),
    path("across/", across.across, name="across"),
    path("trials/", trials.trials, name="trials"),
    path("trials/<str:code>/", trials.trial, name="trial"),
    path("releases/", trials.releases, name="releases"),
    path("releases/<int:pk>/", trials.release, name="release"),
    path(
        "trials/<str:code>/releases/<int:version>/",
        trials.release_version,
        name="release-version",
    ),
    path("sitemap.xml", findable.sitemap, name="sitemap"),
    path("robots.txt", findable.robots, name="robots"),
    path("trials/<str:code>/pooled/", coordinator.pooled, name="pooled"),
    path(
        "trials/<str:code>/pooled/<str:material>/",
        coordinator.pooled_material,
        name="pooled-material",
    ),
    path("trials/<str:code>/completeness/", coordinator.completeness_grid, name="completeness"),
    path("trials/<str:code>/pool/", coordinator.pool, name="pool"),
    path("trials/<str:code>/freeze/", coordinator.freeze, name="freeze"),
    path("trials/<str:code>/members/", members.of_trial, name="trial-members"),
    path(
        "trials/<str:code>/members/<int:pk>/remove/",
        members.remove_coordinator,
        name="remove-coordinator",
    ),
    path("sites/<str:code>/members/", members.of_site, name="site-members"),
    path("sites/<str:code>/members/<int:pk>/role/", members.change_role, name="change-role"),
    path("sites/<str:code>/members/<int:pk>/remove/", members.remove, name="remove-member"),
    path("invitations/<int:pk>/revoke/", members.revoke, name="revoke-invitation"),
    path("join/<str:secret>/", joining.join, name="join"),
    path("account/", joining.account, name="account"),
    path("runs/<int:pk>/", coordinator.run, name="run"),
    path("log-in/", account.LogIn.as_view(), name="login"),
    path("set-password/<uidb64>/<token>/", account.SetPassword.as_view(), name="set-password"),
    path("log-out/", account.LogOut.as_view(), name="logout"),
    path("uploads/", lab.uploads, name="uploads"),
    path("uploads/<int:pk>/", lab.upload, name="upload"),
    path("sites/<str:site>/piles/<str:code>/", piles.pile, name="pile"),
    path("bags/", lab.bags, name="bags"),
    path("tokens/", lab.tokens, name="tokens"),
    path("tokens/<int:pk>/revoke/", lab.revoke, name="revoke-token"),
]
