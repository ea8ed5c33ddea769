"""The page at `/`: what this is and how to ask it. Plain HTML, without a script, for whoever finds it in a browser."""

from __future__ import annotations

import base64
import hashlib

from flask import Flask, Response

from mediaprep import __version__

_STYLE = """
body { font: 1rem/1.5 system-ui, sans-serif; max-width: 42rem; margin: 3rem auto; padding: 0 1rem; }
:root { color-scheme: light dark; }
code { overflow-wrap: anywhere; }
"""

_PAGE = f"""<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>mediaprep on this computer</title>
<style>{_STYLE}</style>
</head>
<body>
<main>
<h1>mediaprep {__version__} is running</h1>
<p>It prepares the data cards of an aircraft panel, proves every byte by reading it back, and tracks when each set
lapses. This is its service for other programs on this computer; nothing here can be reached from another one.</p>
<p>The interface is under <code>/api/v1</code>, described by <code>/api/v1/openapi.json</code>. Every address but
<code>/api/v1/health</code> needs the token, which lies in a file that only you can read: the line that
<code>mediaprep serve</code> prints when it starts shows how to use it.</p>
<h2>Before you fly with a card</h2>
<ul>
<li>It tracks dates and bytes. It does not decide airworthiness or legality.</li>
<li>The equipment's installation manual, the flight manual supplement, the operating limitations and the authority's
rules govern.</li>
<li>Compare the dates that the unit itself shows with these.</li>
</ul>
</main>
</body>
</html>
"""

_STYLE_HASH = base64.b64encode(hashlib.sha256(_STYLE.encode()).digest()).decode()
_POLICY = f"default-src 'none'; style-src 'sha256-{_STYLE_HASH}'; frame-ancestors 'none'; base-uri 'none'"


def add_front_page(app: Flask) -> None:
    """Serve the page at `/`."""

    def front() -> Response:
        return app.response_class(_PAGE, mimetype="text/html", headers={"Content-Security-Policy": _POLICY})

    app.add_url_rule("/", "front", front)
