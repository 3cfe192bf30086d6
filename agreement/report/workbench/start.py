"""The start panel: choose files, see each column as it is read, decide what is open, write the report."""

import re
from pathlib import Path
from typing import Any, Final

import anywidget
import ipywidgets as widgets
import traitlets

from agreement.errors import AgreementError
from agreement.report.page.markup import Block, bullets, element, joined, paragraph
from agreement.report.run.any_size import check_study, report_study
from agreement.report.run.folder import PAGE
from agreement.report.run.talk import grouped_findings
from agreement.tables.columns import INPUTS
from agreement.tables.proposal import PREVIEW, Proposed, propose_study
from agreement.tables.whole_output import whole_file, work_folder

_OPEN: Final = re.compile(r'^\s*([^#=]+?)\s*=\s*"\?"')
_CHOICE: Final = re.compile(r'"([^"]+)"')
_NOT_READ: Final = "(not read)"
_MENU: Final = widgets.Layout(width="180px")
_GRID: Final = widgets.Layout(
    grid_template_columns="110px 150px 190px 80px minmax(150px, 1fr) minmax(200px, 2fr)"
)


class DroppedFiles(anywidget.AnyWidget):
    """A place to drop files and folders on; `files`: name and content of each."""

    _esm = Path(__file__).with_name("dropped_files.js")
    files: Any = traitlets.List().tag(sync=True)


class Start:
    """From files to a report without a line of text; `panel` is what a notebook shows."""

    def __init__(self, place: str | Path = ".") -> None:
        self.place = Path(place)
        self.files = widgets.FileUpload(multiple=True, description="Choose files")
        self.dropped = DroppedFiles()
        self.folder = widgets.Text(
            placeholder="or a folder beside this notebook", layout=widgets.Layout(width="240px")
        )
        self.name = widgets.Text("study", description="Study folder")
        self.propose = widgets.Button(description="Read the files", button_style="primary")
        self.check = widgets.Button(
            description="Take these choices and check", layout=widgets.Layout(width="auto")
        )
        self.report = widgets.Button(description="Write the report", button_style="success")
        self.table, self.asked = widgets.GridBox(layout=_GRID), widgets.VBox()
        self.said, self.page = widgets.HTML(), widgets.HTML()
        self.questions: list[tuple[int, Any]] = []  # open lines of study.toml, what decides each
        self.columns: list[tuple[str, str, Any]] = []  # table, our column, what it is read as
        self.propose.on_click(lambda _: self._try(self.read_files))
        self.check.on_click(lambda _: self._try(self.take_and_check))
        self.report.on_click(lambda _: self._try(self.write_report))
        chosen = widgets.HBox([self.files, self.dropped, self.folder])
        above = [chosen, widgets.HBox([self.name, self.propose]), self.table, self.asked]
        below = [widgets.HBox([self.check, self.report]), self.said, self.page]
        self.panel = widgets.VBox(above + below)

    @property
    def study(self) -> Path:
        """The study folder; never outside the place where the notebook runs."""
        name = Path(self.name.value.strip()).name
        if not name:
            raise AgreementError("Give the study folder a name.")
        return self.place / name

    def _try(self, step: Any) -> None:
        """Do a step; what the user can put right is said on the page."""
        try:
            step()
        except (AgreementError, OSError) as error:
            self.said.value = element("pre", str(error))

    def read_files(self) -> None:
        """Propose a study from the files that were chosen."""
        with work_folder() as desk:
            given = [*self.files.value, *self.dropped.files]
            for one in given:
                parts = [part for part in Path(one["name"]).parts if part not in ("..", "/", "\\")]
                file = desk.joinpath(*parts)  # never outside; a folder may say whose a file is
                content = bytes(one["content"])
                if file.exists() and (file.is_dir() or file.read_bytes() != content):
                    raise AgreementError(
                        f"Two unlike files are named {'/'.join(parts)}: nothing was read. "
                        "Rename one, or drop the folders they are in."
                    )
                file.parent.mkdir(parents=True, exist_ok=True)
                file.write_bytes(content)
            chosen = [desk] if given else []
            if named := Path(self.folder.value.strip()).name:
                chosen.append(self.place / named)
            found = propose_study(self.study, chosen)
        self._show_columns(found)
        self._ask()
        open_ = f"{len(self.questions)} to decide above." if self.questions else "Nothing is open."
        self.said.value = (paragraph(open_) + bullets(found.remarks)).html

    def _show_columns(self, found: Proposed) -> None:
        """Show one row per column, what it is read as in a menu."""
        lines, self.columns = [], []
        for row in found.preview.to_dict("records"):
            table, ours = str(row["table"]), str(row["ours"])
            cells = [widgets.HTML(Block(str(row[name])).html) for name in PREVIEW]
            if row["your column"] != "-":
                choices = [*INPUTS[table].columns, _NOT_READ]
                menu = widgets.Dropdown(options=choices, value=ours, layout=_MENU)
                self.columns.append((table, ours, menu))
                cells[PREVIEW.index("ours")] = menu
            lines += cells
        heads = [widgets.HTML(element("strong", name)) for name in PREVIEW]
        self.table.children = (*heads, *lines)

    def _ask(self) -> None:
        """Show a control for each line that is open, with the choices that stand above it."""
        self.questions, rows, why, where = [], [], "", ""
        for at, line in enumerate(self._text().splitlines()):
            if line.startswith("["):
                where = line.split("#")[0].strip(" []")
            elif line.startswith("# decide: "):
                why = line.removeprefix("# decide: ")
            elif key := _OPEN.match(line):
                choices = [c for c in dict.fromkeys(_CHOICE.findall(why)) if c != "?"]
                choices += ["true", "false"] if key[1] == "same_day" else []
                control = widgets.Combobox(
                    options=choices, placeholder="choose or type", ensure_option=False
                )
                self.questions.append((at, control))
                told = widgets.HTML(Block(f"{where}, {key[1]}: {why}").html)
                rows.append(widgets.HBox([control, told]))
        self.asked.children = tuple(rows)

    def _text(self) -> str:
        return (self.study / "study.toml").read_text(encoding="utf-8")

    def take_and_check(self) -> None:
        """Write what was decided into study.toml, and list what `check` finds."""
        lines = self._text().splitlines()
        for at, control in self.questions:
            answer = control.value.strip()
            if answer:
                value = answer if answer in ("true", "false") else f'"{answer}"'
                lines[at] = lines[at].replace('"?"', value.replace("\\", "/"))
        for table, ours, menu in self.columns:
            _rename(lines, table, ours, menu.value)
        with whole_file(self.study / "study.toml") as file:
            file.write(("\n".join(lines) + "\n").encode())
        self.columns = [(t, o if m.value == _NOT_READ else m.value, m) for t, o, m in self.columns]
        self._ask()
        _, problems = check_study(self.study)
        self.said.value = element("pre", grouped_findings(problems))

    def write_report(self) -> None:
        """Write the report beside the study, and show its page."""
        self.said.value = element("p", "The report is being written; half a minute or so.")
        out = self.place / f"{self.study.name}-report"
        written = report_study(self.study, out)
        told = [*written.verdict, f"Written to {written.folder}."]
        self.said.value = joined(map(paragraph, told)).html
        page = (written.folder / PAGE).read_text(encoding="utf-8")
        frame = {"title": "report", "sandbox": "allow-same-origin", "srcdoc": page}
        self.page.value = element("iframe", **frame, style="width:100%;height:80vh")


def _rename(lines: list[str], table: str, ours: str, chosen: str) -> None:
    """Read a column as another of ours, or not at all, in the lines of a study file."""
    head = f"[files.{table}.columns]"
    start = lines.index(head) if head in lines else len(lines)
    for i in range(start + 1, len(lines)):
        if lines[i].startswith("["):
            return
        if re.match(rf"(# not read: )?{re.escape(ours)} = ", lines[i]):
            rest = lines[i].removeprefix("# not read: ").partition(" = ")[2]
            lines[i] = (
                f"# not read: {ours} = {rest}" if chosen == _NOT_READ else f"{chosen} = {rest}"
            )
            return


def start(place: str | Path = ".") -> Any:
    """Return the panel, for studies in a folder."""
    return Start(place).panel
