"""Log-in, log-out, and the one-time link by which a new coordinator sets a password."""

from django.contrib.auth.views import LoginView, LogoutView, PasswordResetConfirmView
from django.urls import reverse_lazy

from frontend.forms import LogInForm


class LogIn(LoginView):
    template_name = "frontend/account/log_in.html"
    authentication_form = LogInForm
    redirect_authenticated_user = True


class LogOut(LogoutView):
    next_page = "frontend:home"


class SetPassword(PasswordResetConfirmView):
    template_name = "frontend/account/set_password.html"
    success_url = reverse_lazy("frontend:login")
