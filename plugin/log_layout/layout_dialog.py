"""The layout of a log: seen, changed and kept."""

from __future__ import annotations

import re
from html import escape
from pathlib import Path
from typing import Mapping, Optional

from qgis.PyQt.QtCore import Qt
from qgis.PyQt.QtWidgets import (
    QCheckBox,
    QComboBox,
    QDialog,
    QDialogButtonBox,
    QFileDialog,
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QMessageBox,
    QSpinBox,
    QSplitter,
    QTextBrowser,
    QVBoxLayout,
    QWidget,
)

from ...processing_provider.engine.core import LIMITS, Code, EngineError, Progress, read_text, sentence_of, whole_file
from ...processing_provider.engine.logs import (
    LayoutDraft,
    LayoutTrial,
    begin_draft,
    layout_from_json,
    layout_to_json,
    parted_otherwise,
    shown_rows,
    try_layout,
)
from ..background_tasks import Works
from ..profile import look_of
from ..texts import as_text, tr
from .expression_fields import ExpressionFields
from .layout_of import LayoutOf
from .line_sketch import LineSketch
from .rows_table import MOST_COLUMNS, RowsTable

WORK = "layout"
SHOWN_FINDINGS = 20
FIXED = "fixed"
"""Stands for fixed columns among the delimiters."""
WIDTHS_EM = 10
"""Width of the field for the widths of columns, in widths of an m: some eight columns."""
BUTTON = QDialogButtonBox.StandardButton


class LayoutDialog(QDialog):
    """First rows, lines, and what the reader says; ``kept`` is where the layout was kept, None before."""

    def __init__(self, about: LayoutOf, parent: Optional[QWidget] = None) -> None:
        super().__init__(parent)
        self.about = about
        self.kept: Optional[Path] = None
        self.draft: Optional[LayoutDraft] = None
        self.refused: list[str] = []
        self.questions = list(about.questions)
        self.guessed = False
        self.trial: Optional[LayoutTrial] = None
        self.works = Works(self)
        self.setWindowTitle(tr("Layout of {log}").format(log=about.log.name))
        self.resize(1140, 680)
        self.table, self.sketch, self.said = RowsTable(), LineSketch(), QTextBrowser()
        self.delimiter, self.decimal, self.skip = QComboBox(), QComboBox(), QSpinBox()
        self.widths, self.header, self.confirmed = QLineEdit(), QCheckBox(), QCheckBox()
        self.expressions = ExpressionFields()
        self.buttons = QDialogButtonBox(BUTTON.Save | BUTTON.Close)
        self.save_button = self.buttons.button(BUTTON.Save)
        self.save_button.setText(tr("Keep the layout ..."))
        self._lay_out()
        self._connect()
        self._begin()

    def _lay_out(self) -> None:
        for word, label in ((",", tr("comma")), (";", tr("semicolon")), ("tab", tr("tab")), ("|", tr("bar")),
                            ("space", tr("blanks")), (FIXED, tr("fixed columns"))):  # fmt: skip
            self.delimiter.addItem(label, word)
        self.decimal.addItem(tr("point"), ".")
        self.decimal.addItem(tr("comma"), ",")
        self.skip.setMaximum(int(LIMITS["skip_rows"][1]))
        self.skip.setKeyboardTracking(False)
        self.header.setText(tr("A row names the columns"))
        self.confirmed.setText(tr("The log is read right"))
        options, checks = QHBoxLayout(), QHBoxLayout()
        self.labels: dict[QWidget, QLabel] = {}
        for widget, label, help_text in (
            (self.delimiter, tr("Values parted by"), tr("Another delimiter has the columns guessed anew.")),
            (self.widths, tr("Widths"), tr("Characters of each column, such as 3 5 9 6.")),
            (self.decimal, tr("Decimal mark"), tr("What stands between the whole number and its fraction.")),
            (self.skip, tr("Rows to skip"), tr("Rows above the names of the columns, or above the first reading.")),
            (self.header, "", tr("The first row that is not skipped holds names, no reading.")),
            (self.confirmed, "", tr("Map its grid although stations or times look misread as a whole.")),
        ):
            if label:
                text = QLabel(label)
                text.setBuddy(widget)
                self.labels[widget] = text
                options.addWidget(text)
            widget.setAccessibleName(label or widget.text())
            widget.setToolTip(help_text)
            (options if label else checks).addWidget(widget)
        self.widths.setMinimumWidth(WIDTHS_EM * self.fontMetrics().horizontalAdvance("m"))
        options.addStretch(1)
        checks.addStretch(1)
        self.said.setAccessibleName(tr("What the reader says"))
        self.said.setOpenLinks(False)
        beside = QSplitter(Qt.Orientation.Horizontal)
        beside.addWidget(self.table)
        beside.addWidget(self.sketch)
        beside.setStretchFactor(0, 2)
        beside.setStretchFactor(1, 1)
        beside.setSizes([740, 380])
        whole = QSplitter(Qt.Orientation.Vertical)
        whole.addWidget(beside)
        whole.addWidget(self.said)
        whole.setStretchFactor(0, 1)
        whole.setSizes([520, 110])
        column = QVBoxLayout(self)
        column.addLayout(options)
        column.addLayout(checks)
        column.addWidget(self.expressions)
        column.addWidget(whole, 1)
        column.addWidget(self.buttons)
        self._show_widths()

    def _connect(self) -> None:
        self.table.role_chosen.connect(self._choose_role)
        self.table.words_given.connect(self._give_words)
        self.table.factor_given.connect(self._give_factor)
        self.delimiter.activated.connect(self._choose_delimiter)
        self.widths.editingFinished.connect(self._give_widths)
        self.decimal.activated.connect(lambda _: self._part({"decimal": self.decimal.currentData()}))
        self.skip.valueChanged.connect(lambda rows: self._part({"skip_rows": rows}))
        self.header.clicked.connect(lambda checked: self._part({"header": checked}))
        self.confirmed.clicked.connect(lambda checked: self._part({"confirmed": checked}))
        self.expressions.given.connect(self._give_expression)
        self.save_button.clicked.connect(lambda _: self.ask_save())
        self.buttons.rejected.connect(self.reject)
        for button in self.buttons.buttons():
            button.setAutoDefault(False)

    def _begin(self) -> None:
        path, layout = self.about.layout, None
        try:
            if path is not None:
                layout = layout_from_json(read_text(path, "layout"), path.name)
        except EngineError as error:
            self.refused.append(str(error))
        try:
            draft, refused = begin_draft(self.about.log, layout)
        except Exception as error:
            self._show_fault(error)
            return
        self.refused += refused
        # What comes nearest to a log that is refused is no layout until the person has made it one.
        self.guessed = bool(refused) and layout is None
        self._take(draft)

    def _show_fault(self, error: Exception) -> None:
        self._show_refusal(sentence_of(error, tr("Showing the layout of {name}").format(name=self.about.log.name)))

    def _choose_role(self, index: int, role: str) -> None:
        if self.draft is not None and role != self.draft.columns[index].role:
            self._change(self.draft.with_role(index, role))

    def _give_words(self, index: int, words: Mapping[str, str]) -> None:
        if self.draft is not None:
            self._change(self.draft.with_words(index, words))

    def _give_factor(self, index: int, factor: float) -> None:
        if self.draft is not None:
            self._change(self.draft.with_factor(index, factor))

    def _choose_delimiter(self, _: int) -> None:
        if self.delimiter.currentData() != FIXED:
            self._part({"delimiter": self.delimiter.currentData()})
        self._show_widths()

    def _give_widths(self) -> None:
        widths = tuple(int(number) for number in re.findall(r"\d{1,4}", self.widths.text()))
        if widths and self.delimiter.currentData() == FIXED:
            self._part({"widths": widths})

    def _give_expression(self, option: str, text: str) -> None:
        """Take another regular expression; what checks whether it may run away can be cancelled."""
        draft, path = self.draft, self.about.log
        if draft is None:
            return

        def job(progress: Progress) -> LayoutDraft:
            return parted_otherwise(path, draft, {option: text}, progress)

        self._say([tr("Checking the expression ...")])
        self.save_button.setEnabled(False)
        self.works.start(WORK, tr("Turnrow: checking an expression"), job, self._change, self._show_refusal)

    def _show_widths(self) -> None:
        """Show the widths of columns where they are fixed."""
        for widget in (self.widths, self.labels[self.widths]):
            widget.setVisible(self.delimiter.currentData() == FIXED)

    def _part(self, options: Mapping[str, object]) -> None:
        """Cut the rows in another way; what was refused before may fit now."""
        if self.draft is None or all(getattr(self.draft.base, name) == value for name, value in options.items()):
            return
        try:
            draft = parted_otherwise(self.about.log, self.draft, options)
        except Exception as error:
            self._show_fault(error)
            return
        self._change(draft, settles="confirmed" not in options)

    def _change(self, draft: LayoutDraft, *, settles: bool = True) -> None:
        """Take a draft that the person has changed; a change ``settles`` what was refused or questioned before it."""
        if settles:
            self.refused, self.questions = [], []
        self.guessed = False
        self._take(draft)

    def _take(self, draft: LayoutDraft) -> None:
        """Show a draft, and read the log by it."""
        self.draft, self.trial = draft, None
        try:
            rows = shown_rows(self.about.log, draft.as_seen())
        except Exception as error:
            self._show_fault(error)
            return
        self.table.show_draft(draft, rows)
        self._show_options(draft)
        self._say([tr("Reading the log ...")])
        self.save_button.setEnabled(False)
        path = self.about.log

        def job(progress: Progress) -> LayoutTrial:
            return try_layout(path, draft.layout, progress)

        self.works.start(WORK, tr("Turnrow: reading the log"), job, self._show_trial, self._show_refusal)

    def _show_options(self, draft: LayoutDraft) -> None:
        base = draft.base
        word = FIXED if base.widths is not None else {"\t": "tab"}.get(base.delimiter or "", base.delimiter)
        if self.delimiter.findData(word) < 0:
            self.delimiter.addItem(str(word), word)
        self.delimiter.setCurrentIndex(self.delimiter.findData(word))
        self.widths.setText(" ".join(map(str, base.widths or ())))
        self._show_widths()
        self.decimal.setCurrentIndex(self.decimal.findData(base.decimal))
        self.skip.blockSignals(True)
        self.skip.setValue(base.skip_rows)
        self.skip.blockSignals(False)
        self.header.setChecked(base.header)
        self.expressions.show_layout(base)
        self.confirmed.setChecked(base.confirmed)

    def _show_trial(self, trial: LayoutTrial) -> None:
        """Show what reading the log gave."""
        self.trial = trial
        self.sketch.show_traverses(trial.traverses)
        self.save_button.setEnabled(not trial.refusal and not self.guessed)
        if trial.refusal:
            self._say([], [trial.refusal])
            return
        questioned = [f.sentence() for f in trial.findings if f.code == Code.LAYOUT_QUESTIONED.word]
        findings = [f.sentence() for f in trial.findings if f.code != Code.LAYOUT_QUESTIONED.word]
        more = len(findings) - SHOWN_FINDINGS
        said = [*trial.sentences, *findings[:SHOWN_FINDINGS]]
        said += [tr("{n} more findings.").format(n=more)] if more > 0 else []
        if self.draft is not None and len(self.draft.columns) > MOST_COLUMNS:
            said.append(tr("Only the first {n} columns are shown.").format(n=MOST_COLUMNS))
        self._say(said, questioned)

    def _show_refusal(self, sentence: str) -> None:
        """Show why nothing is read."""
        self.sketch.show_traverses(())
        self.save_button.setEnabled(False)
        self._say([], [sentence])

    def _say(self, sentences: list[str], refusals: Optional[list[str]] = None) -> None:
        colour = look_of(self.palette()).warning.name()
        questions = [] if self.confirmed.isChecked() else self.questions
        wrong = [*self.refused, *questions, *(refusals or [])]
        parts = [f'<p style="color:{colour}"><b>▲ {escape(text)}</b></p>' for text in wrong]
        self.said.setHtml("".join([*parts, *(f"<p>{escape(text)}</p>" for text in sentences)]))

    def ask_save(self) -> None:
        """Let the person say which file keeps the layout; an existing one is only overwritten when asked for."""
        start = self.about.keep_as or self.about.layout or self.about.log.with_suffix(".json")
        name, _ = QFileDialog.getSaveFileName(
            self, tr("File that keeps the layout"), str(start), tr("Layouts (*.json)"), "",
            QFileDialog.Option.DontConfirmOverwrite,
        )  # fmt: skip
        if name:
            path = Path(name)
            self.save(path if path.suffix else path.with_suffix(".json"))

    def save(self, path: Path) -> None:
        """Keep the layout in a file."""
        if self.draft is None or not self._may_write(path):
            return
        try:
            text = layout_to_json(self.draft.layout())
            with whole_file(path, "layout") as temporary:
                temporary.write_text(text, "utf-8")
        except EngineError as error:
            QMessageBox.warning(self, self.windowTitle(), str(error))
            return
        self.kept = path
        self.accept()

    def _may_write(self, path: Path) -> bool:
        if path.resolve() == self.about.log.resolve():
            text = tr("{name} is the log itself, which is never changed. Choose another name.").format(name=path.name)
            QMessageBox.warning(self, self.windowTitle(), as_text(text))
            return False
        if not path.exists():
            return True
        text = tr("{name} exists. Overwrite it with this layout?").format(name=path.name)
        return QMessageBox.question(self, self.windowTitle(), as_text(text)) == QMessageBox.StandardButton.Yes

    def done(self, result: int) -> None:
        """End: what still reads is stopped."""
        self.works.cancel()
        super().done(result)
