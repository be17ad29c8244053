"""Log-in and log-out."""

from django.contrib.auth.views import LoginView, LogoutView

from frontend.forms import LogInForm


class LogIn(LoginView):
    template_name = "frontend/account/log_in.html"
    authentication_form = LogInForm
    redirect_authenticated_user = True


class LogOut(LogoutView):
    next_page = "frontend:home"
