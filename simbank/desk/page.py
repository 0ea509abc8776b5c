"""The page of the desk: its head, the forms on the left, the views on the right."""

from __future__ import annotations

from typing import Any

from nicegui import ui

from simbank.desk import parts
from simbank.desk.folder import file_stem
from simbank.desk.parts import tag
from simbank.desk.session import LARGEST_UPLOAD, NOTHING, Session
from simbank.desk.sheet import Sheet
from simbank.desk.views import VIEWS
from simbank.errors import InputError
from simbank.scenario.starter import starter_scenario

__all__ = ["build_page"]

KEYS = """
document.addEventListener("keydown", (e) => {
  if (!(e.ctrlKey || e.metaKey) || e.altKey) return;
  const key = e.key.toLowerCase();
  if (e.target.matches("textarea, .no-undo")) return;
  const which = key === "z" ? (e.shiftKey ? "redo" : "undo") : key === "y" ? "redo" : key === "s" ? "save" : "";
  if (which) { e.preventDefault(); document.getElementById("desk-" + which).click(); }
});
// a tab whose connection is lost is loaded anew by itself, and finds its bank again
// without its desk the page computes and saves nothing: it says so, and takes nothing more that would be lost
let deskGone = 0;
window.socket.on("disconnect", () => {
  window.deskLost = true;
  deskGone ||= setTimeout(() => {
    document.getElementById("desk-off").hidden = false;
    document.querySelector("main.desk").inert = true;
    document.getElementById("desk-views").classList.add("stale");
  }, 4000);
});
window.socket.on("connect", () => {
  clearTimeout(deskGone);
  deskGone = 0;
  document.getElementById("desk-off").hidden = true;
  document.querySelector("main.desk").inert = false;
  document.getElementById("desk-views").classList.remove("stale");
});
window.addEventListener("beforeunload", (e) => { if (window.deskUnsaved && !window.deskLost) e.preventDefault(); });
"""


class Page:
    """The page of one tab."""

    def __init__(self, session: Session):
        self.session = session
        self._client = ui.context.client
        self._views: dict[str, Any] = {}
        self._built: dict[str, Any] = {}
        self._view = VIEWS[0].name
        self._number = -1
        self._message_until_change = False
        self._status = self._errors_shown = None
        self._build()
        session.on_change.append(self.look)
        session.on_trouble.append(self._say_wrong)

    def _build(self):
        tag("a", "To the results", "skip", href="#desk-views")
        with tag("header", classes="top"):
            with tag("div", classes="title"):
                tag("h1", "simbank desk")
                self._file = tag("span", "", "file")
            with tag("div", classes="tools", role="group", aria_label="File"):
                parts.button("New", self._new)
                parts.button("Open", lambda: self._dialog("open"))
                self._save = parts.button("Save", self._quick_save)
                self._save.props["id"] = "desk-save"
                parts.button("Save as", lambda: self._dialog("save"))
                self._undo = parts.button("Undo", self.session.undo)
                self._undo.props["id"] = "desk-undo"
                self._redo = parts.button("Redo", self.session.redo)
                self._redo.props["id"] = "desk-redo"
        with tag("nav", classes="jumps", aria_label="On this page"):
            tag("a", "The bank", href="#desk-forms")
            tag("a", "Results", href="#desk-views")
        tag(
            "p", "Not connected to the desk: nothing is computed or saved, and what is shown is of the values before. If the desk has ended, "
            "start it again and open the address that it prints.", "off", id="desk-off", role="alert", hidden=True,
        )  # fmt: skip
        self._drawer = tag("div", classes="drawer").on("keydown.escape", self._close)
        self._message = tag("div", classes="message")
        self._wrong = tag("div", classes="errors", role="alert", id="desk-errors")
        with tag("main", classes="desk"):
            with tag("div", classes="editor", role="region", id="desk-forms", aria_label="The bank and what is asked of it"):
                self._sheet = Sheet(self.session.do)
            with tag("div", classes="views", id="desk-views", tabindex=-1):
                self._state = tag("p", "", "state", role="status", id="desk-state")
                self._tabs()
        self._client.run_javascript(KEYS)

    # ---- views ----

    def _tabs(self):
        self._buttons = {}
        with tag("div", classes="tabs", role="tablist", aria_label="Views") as bar:
            for view in VIEWS:
                made = parts.button(view.title, lambda name=view.name: self.open_view(name))
                made.props.update({"role": "tab", "id": f"tab-{view.name}", "aria-controls": f"view-{view.name}"})
                self._buttons[view.name] = made
        bar.on(
            "keydown",
            js_handler="""(e) => {
              const tabs = [...e.currentTarget.querySelectorAll('[role=tab]')], at = tabs.indexOf(document.activeElement);
              const to = {ArrowRight: at + 1, ArrowLeft: at - 1, Home: 0, End: tabs.length - 1}[e.key];
              if (to === undefined) return;
              e.preventDefault();
              const next = tabs[(to + tabs.length) % tabs.length];
              next.focus(); next.click();
            }""",
        )
        for view in VIEWS:
            self._views[view.name] = tag(
                "div", classes="view", role="tabpanel", id=f"view-{view.name}", aria_labelledby=f"tab-{view.name}"
            )
        self.open_view(self._view)

    def open_view(self, name: str):
        """Show a view; it is built when it is opened for the first time."""
        self._view = name
        for view in VIEWS:
            chosen = view.name == name
            self._buttons[view.name].props.update(
                {"aria-selected": "true" if chosen else "false", "tabindex": 0 if chosen else -1}
            )
            self._buttons[view.name].update()
            self._views[view.name].props["hidden"] = not chosen
            self._views[view.name].update()
            if chosen and name not in self._built:
                with self._views[name]:
                    self._built[name] = view.build(self.session)
        self._look_views()

    def _look_views(self):
        look = self._built.get(self._view)
        if look is not None:
            with self._views[self._view]:
                look()

    # ---- what has changed ----

    def look(self):
        """Show the session as it is now."""
        session = self.session
        if session.number != self._number or session.forced:
            self._number = session.number
            if self._message_until_change:
                self._message.clear()
                self._message_until_change = False
            self._sheet.show(session.sections(), session.forced, session.focus)
            self._tools()
        self._show_errors()
        self._show_state()
        self._look_views()

    def _tools(self):
        document = self.session.document
        for element, what, name in ((self._undo, "Undo", document.undo_name), (self._redo, "Redo", document.redo_name)):
            element.props["disabled"] = name is None
            element.props["title"] = f"{what}: {name}" if name else ""
            element.props["aria-label"] = f"{what}: {name}" if name else what
            element.update()
        unsaved = document.unsaved
        changed = ", changed" if unsaved and self.session.name else ""
        self._file._text = f"{document.data.get('name', '')} – {self.session.name or 'not saved yet'}{changed}"
        self._file.update()
        self._client.run_javascript(f"window.deskUnsaved = {'true' if document.has_to_lose else 'false'}")

    def _show_errors(self):
        wrong = self.session.shown_errors()
        self._sheet.wrong(wrong)
        if wrong == self._errors_shown:
            return
        self._errors_shown = wrong
        self._wrong.clear()
        if not wrong:
            return
        count = sum(len(texts) for texts in wrong.values())
        with self._wrong:
            tag("h2", f"{count} {'thing is' if count == 1 else 'things are'} wrong, so nothing is run")
            with tag("ul"):
                for place, texts in wrong.items():
                    for text in texts:
                        with tag("li"):
                            if place:
                                tag("a", text, href=f"#{place}", data_go=place).on("click", js_handler=_GO)
                            else:
                                tag("span", text)

    def _show_state(self):
        session = self.session
        if session.failed:
            text = f"The last run gave nothing: {session.failed}"
        elif session.errors and session.outcome is not None:
            text = "Not run: see what is wrong. What is shown is of the values before."
        elif session.errors:
            text = "Not run yet: see what is wrong."
        elif session.shared.compiling:
            text = "First use: the equations are compiled for this machine. Later runs skip this."
        elif session.outcome is None:
            text = "The first run is under way."
        elif session.is_stale:
            text = "Running; what is shown is of the values before."
        else:
            text = "Up to date with the forms."
        if text != self._status:
            self._status = text
            self._state._text = text
            self._state.update()

    # ---- files ----

    def _new(self):
        self._try(lambda: self.session.open_text(starter_scenario()))

    def _quick_save(self):
        if self.session.name:
            self._try(lambda: self.session.save(self.session.name), f"Saved as {self.session.name}.")
        else:
            self._dialog("save")

    def _close(self):
        self._drawer.clear()
        self._message.clear()

    def _dialog(self, which):
        self._close()
        with self._drawer, tag("section", classes="dialog", aria_label="Open a file" if which == "open" else "Save the file"):
            if which == "open":
                self._open_dialog()
            else:

                def save():
                    self._try(lambda: self.session.save(field.value, over.value), f"Saved as {field.value}.")

                offered = f"{file_stem(self.session.document.data.get('name', ''))}.toml"
                field = parts.text_field(
                    "Name of the file, in the folder of this desk", self.session.name or offered,
                    hint=f"{self.session.shared.folder.path}; ends in .toml", on_enter=save,
                )  # fmt: skip
                over = parts.tick("Overwrite a file of that name")
                with tag("div", classes="bar"):
                    parts.button("Save this file", save, "main")
                    parts.button("Cancel", self._close)
        self._client.run_javascript("document.querySelector('.dialog input, .dialog select, .dialog button').focus()")

    def _open_dialog(self):
        names = self.session.shared.folder.names()
        if names:
            field = parts.choice("A file of this folder", names, names[0])
            with tag("div", classes="bar"):
                parts.button("Open this file", lambda: self._try(lambda: self.session.load(field.value)), "main")
        else:
            parts.say(f"There is no scenario file in {self.session.shared.folder.path}.")
        with tag("div", classes="field"):
            tag("label", "or a file from elsewhere, as a copy", for_="desk-upload")
            upload = tag("input", id="desk-upload", type="file", accept=".toml")
        upload.on(
            "change",
            lambda event: self._try(lambda: self.session.open_upload(event.args)),
            js_handler=f"""async (e) => {{ const file = e.target.files[0]; if (!file) return;
              const told = {{name: file.name, size: file.size}};
              if (file.size <= {LARGEST_UPLOAD}) {{
                try {{ told.text = new TextDecoder('utf-8', {{fatal: true}}).decode(await file.arrayBuffer()); }} catch {{ told.text = null; }}
              }}
              e.target.value = '';  // the same file can be chosen again, mended
              emit(told); }}""",
        )
        with tag("div", classes="bar"):
            parts.button("An empty bank", lambda: self._try(lambda: self.session.open_text(NOTHING)))
            parts.button("Cancel", self._close)

    def _try(self, what, said=""):
        """Do something with files; say what is wrong, or that it is done."""
        unsaved = self.session.document.has_to_lose
        try:
            what()
        except InputError as error:
            self._say_wrong(str(error))
            return
        except Exception as error:
            self.session.trouble(error)
            return
        self._close()
        self._tools()
        self._message_until_change = unsaved and not said
        if self._message_until_change:
            said = "The bank before has changes that are not saved; Undo brings it back."
        if said:
            with self._message:
                tag("p", said, "done", role="status")

    def _say_wrong(self, text):
        self._message.clear()
        self._message_until_change = False
        with self._message:
            tag("p", text, "wrong", role="alert")


# goes to the field that an error is about, or to what is around it
_GO = """(e) => { e.preventDefault();
  const place = e.currentTarget.dataset.go;
  const found = document.getElementById(place) || document.querySelector(`[data-at="${CSS.escape(place)}"]`);
  if (!found) return;
  const target = found.matches('input,select,button') ? found : found.querySelector('input,select') || found.querySelector('button') || found;
  target.scrollIntoView({block: 'center'}); target.focus(); }"""


def build_page(session: Session) -> Page:
    """The page of a session, within the element that is open."""
    return Page(session)
