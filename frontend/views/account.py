"""Log-in, log-out, and the one-time link by which a new coordinator sets a password."""

from django.contrib.auth.views import LoginView, LogoutView, PasswordResetConfirmView
from django.urls import reverse, reverse_lazy

from frontend.forms import LogInForm
from frontend.people import actor_of


class LogIn(LoginView):
    template_name = "frontend/account/log_in.html"
    authentication_form = LogInForm
    redirect_authenticated_user = True

    def get_default_redirect_url(self) -> str:
        """A lab's people come for their day; everyone else for the front page."""
        user = self.request.user
        if user.is_authenticated and actor_of(self.request).sites().exists():
            return reverse("frontend:today")
        return super().get_default_redirect_url()


class LogOut(LogoutView):
    next_page = "frontend:home"


class SetPassword(PasswordResetConfirmView):
    template_name = "frontend/account/set_password.html"
    success_url = reverse_lazy("frontend:login")
