"""The web application: pages for people, an API for programs, both over the same functions.

How to add to it
----------------
A route: make ``routes/<name>.py`` with a module variable ``router = APIRouter()``; the app
includes every module of ``routes`` by itself, those whose name begins with ``api`` under
``/api`` as JSON. Handlers are plain ``def`` (they run in threads, the records are not
asynchronous) and take what they need from :mod:`sumpwright.web.deps`::

    @router.get("/jobs/{job}")
    def job_page(job: str, desk: DeskDep) -> Response:
        kept = found(lambda: desk.store.jobs.get(job))      # Complaint -> a 404 page
        return desk.page("job/page.html", job=kept)

    @router.post("/jobs/{job}/notes")
    @needs("work")                                          # below the route, above the def
    def add_note(job: str, desk: DeskDep, form: FormDep) -> Response:
        desk.store.jobs.append(job, "noted", {"text": form.text("note")}, by=desk.by)
        return desk.seeother(f"/jobs/{job}")

Rights: ``@needs("read" | "seat" | "work" | "keep" | "nothing")``. Without it a safe method
needs ``read`` and any other ``work``. The guard of the app checks rights and the CSRF token
before a handler runs; forms carry ``{{ csrf_field() }}``, scripts send the token of
``<meta name="csrf-token">`` as ``X-CSRF-Token``, htmx does so by itself.

Complaints: let :class:`sumpwright.errors.Complaint` out of the handler and it becomes a page
(or ``{"error": {what, do, where, field}}`` under ``/api``) with status 422. To show it in the
form instead, catch it and render the form again with ``status=422``, ``typed=form.typed`` and
``complaints=Complaints.of(error)``; the macros of ``templates/parts/forms.html`` put each text
beside its field and list them at the top.

A page: ``templates/<name>.html`` begins with ``{% extends "base.html" %}`` and fills the
blocks ``title`` and ``main``; ``head`` and ``scripts`` take further tags, ``frame`` replaces
header and footer on a full-screen page. Templates know ``show`` (quantities, money, times in
the device's units: :class:`sumpwright.web.views.show.Show`), ``visitor``, ``may("work")``,
``static("name")``, ``csrf_field()``. No decision belongs in a template or a route: make a
view model in ``views``.

A script: ``static/<name>.js``, an ES module, in the block ``scripts`` as
``<script type="module" src="{{ static('name.js') }}"></script>``. The content security policy
allows nothing inline, neither scripts nor styles, and nothing from elsewhere. A style sheet
of one's own: ``static/<name>.css`` in the block ``head``. Files are served under ``/static``.

What changes a job tells the others: ``desk.bus.publish(job_id)`` after writing;
:class:`sumpwright.web.bus.Bus` wakes whoever waits for it (server-sent events).
"""
