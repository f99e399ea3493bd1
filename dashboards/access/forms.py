"""The two pages that stand outside of the dashboard: signing in, and one's own account."""

from html import escape

from dashboards.access.rights import Rights

PAGE = """<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta name="color-scheme" content="light dark">
<title>{title} - waste chutes</title>
<link rel="icon" href="data:,">
<link rel="stylesheet" href="/assets/style.css">
</head>
<body>
<main class="page door">
<h1>Waste chutes</h1>
<h2>{title}</h2>
{said}
{body}
</main>
</body>
</html>"""
SIGN_IN = """<form method="post" action="/sign-in">
<input type="hidden" name="form" value="{form}">
<input type="hidden" name="next" value="{after}">
<label>Account <input name="account" autocomplete="username" autocapitalize="none" required
 maxlength="64"></label>
<label>Password <input name="password" type="password" autocomplete="current-password" required
 maxlength="512"></label>
<button>Sign in</button>
</form>"""
ACCOUNT = """<p>Account {name}: {rights}.</p>
<p>Signed in on {count} {browsers}. A session ends after 30 minutes without use, and after 12
hours.</p>
<form method="post" action="/sign-out">
<input type="hidden" name="form" value="{form}">
<button name="where" value="here">Sign out</button>
<button name="where" value="everywhere">Sign out everywhere</button>
</form>
<h2>Another password</h2>
<form method="post" action="/account">
<input type="hidden" name="form" value="{form}">
<label>Password now <input name="password" type="password" autocomplete="current-password"
 required maxlength="512"></label>
<label>New password, 12 characters or more <input name="new" type="password"
 autocomplete="new-password" required maxlength="512"></label>
<button>Change it, and sign out everywhere else</button>
</form>
<p><a href="/">Back to the dashboard</a></p>"""


def sign_in(form: str, after: str, said: str = "") -> str:
    """The form to sign in with.

    Args:
        form: The token that comes back with it.
        after: The address to go on to.
        said: Why it is shown again.
    """
    body = SIGN_IN.format(form=escape(form), after=escape(after))
    return _page("Sign in", body, said)


def account(rights: Rights, sessions: int, form: str, said: str = "") -> str:
    """One's own account: what it may, signing out, another password."""
    sites = "all sites" if rights.sites is None else ", ".join(sorted(rights.sites)) or "no site"
    may = "you may look and take exports in" if rights.upload else "you may look"
    browsers = "browser" if sessions == 1 else "browsers"
    body = ACCOUNT.format(
        name=escape(rights.name or ""), rights=escape(f"{sites}; {may}"), count=sessions,
        browsers=browsers, form=escape(form),
    )  # fmt: skip
    return _page("Your account", body, said)


def refusal(title: str, said: str) -> str:
    """A request that is not answered, and why."""
    return _page(title, '<p><a href="/">To the dashboard</a></p>', said)


def _page(title: str, body: str, said: str) -> str:
    told = f'<p class="said" role="alert">{escape(said)}</p>' if said else ""
    return PAGE.format(title=escape(title), body=body, said=told)
