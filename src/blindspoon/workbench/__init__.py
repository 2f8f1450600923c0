"""The whole trial from pages of a browser, for this computer alone; the folder stays the truth.

How a page is made
------------------
A module a page, or a few that belong together. Each has one function, ``add_to(bench)``, that
registers its addresses, and stands in ``app.PAGES``; nothing else knows it::

    def add_to(bench: Workbench) -> None:
        @bench.get("tasters")                      # /t/<name>/tasters
        def show(stage: Stage) -> Reply:
            return bench.page("tasters.html.j2", stage, "tasters", names=...)

        @bench.post("tasters")
        def save(stage: Stage, form: Form) -> Reply:
            ...
            files = {"trial.toml": ...}            # 303, so that reloading sends nothing twice
            return bench.save(stage, files, "The tasters", "Nine tasters are written.", "tasters")

- A trial is looked up by name among those listed on the shelf: no path comes from a request. A
  handler gets its `Stage`; one that reads the broken ones too asks with ``broken=True``.
- The first step is registered by its name in `Stage.steps`, further addresses below it
  ("tasters/chances"). A page whose step may not be changed now says so (`Stage.locked`), and its
  handler refuses: ``bench.see(stage, "rule")`` raises where it is locked.
- What is posted has been seen to come from a page of ours before the handler runs: ticket, Origin,
  Sec-Fetch-Site. A form has ``{{ ticket_field }}`` in it.
- Faults stand beside their fields: ``bench.page(..., code=422, typed=form, faults={place: text})``.
  The macros of ``forms.html.j2`` take a place ("attribute[2].label") as the name of the field, show
  what was typed, and tie the fault to it. A page sets its ``title``; the frame puts it into the
  window and over the page, and the box that counts the faults below it.
  `phrases.beside` makes faults of problems, in the words of the page.
- A form holds ``seen=bench.seen(found, files)``. `bench.merge` brings what was typed together with
  what was written elsewhere meanwhile; where both changed a field, the page asks beside it.
- A form that files are chosen in is sent to ``bench.post(path, files=True)``; others carry none.
- A form that makes something new holds ``once={{ once }}``: sent twice, it makes it once.
- The script sends a form to its own address with ``Accept: application/json`` where the form has
  ``data-check``: the handler then saves nothing and answers `bench.checked`. It fetches the page
  again where an element with an id has ``data-renew``, and puts that element in its place: a page
  with a running job shows it so (``{{ forms.job(job, stop_at) }}``).
- Files are written by `bench.save`, so that every change can be taken back; sheets in use follow.
- Long work: ``bench.jobs.run(kind, folder, work)``, one at a time, and ``bench.jobs.last(kind,
  folder)``; a page is given its ``job``.
- A finished file of another make (report, sheets, what is published) is answered with
  ``bench.framed(content, name)``: it may load nothing and run nothing.
"""
