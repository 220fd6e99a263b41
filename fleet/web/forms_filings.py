"""The form of a filing's next step: only what that step may tell."""

from __future__ import annotations

from typing import Any

from django import forms

from fleet.models import Paper, StepKind
from fleet.services.filings import IN_WORDS, TELLS, Answer
from fleet.web.fields import SpokenForm

# What a step is called on its button, and how its words are asked for.
DEEDS = {
    StepKind.PREPARED: ("It is prepared", "What was prepared, if it was not issued here"),
    StepKind.SENT: ("It was sent", "How, and to whom"),
    StepKind.ACKNOWLEDGED: ("They answered", "Remarks"),
    StepKind.REJECTED: ("They sent it back", "What is wrong with it, in their words"),
    StepKind.CORRECTED: ("It was corrected and sent again", "What was corrected"),
    StepKind.DROPPED: ("It is no longer asked for", "Why"),
}


class PaperChoice(forms.ModelChoiceField):
    """An issued paper, named by number and title."""

    def label_from_instance(self, obj: Paper) -> str:
        """Return the number and the title."""
        number = f"{obj.slip.name}, " if obj.slip else ""
        return f"{number}{obj.title or obj}, {obj.created_at:%-d %b %Y}"


class StepForm(SpokenForm):
    """One step of a filing."""

    happened_on = forms.DateField(
        label="On the day",
        widget=forms.DateInput(format="%Y-%m-%d", attrs={"type": "date"}),
    )
    paper = PaperChoice(None, required=False, empty_label="None of those issued here")
    reference = forms.CharField(max_length=120, required=False)
    words = forms.CharField(widget=forms.Textarea(attrs={"rows": 2}), required=False)
    file = forms.FileField(label="The answer as a file", required=False)

    def __init__(self, kind: str, *args: Any, papers: Any, **kwargs: Any) -> None:
        super().__init__(*args, prefix=kind, **kwargs)
        self.kind = StepKind(kind)
        self.save, self.fields["words"].label = DEEDS[self.kind]
        self.fields["words"].required = self.kind in IN_WORDS
        self.fields["paper"].queryset = papers
        for name in ("paper", "reference", "words", "file"):
            if name not in TELLS[self.kind]:
                del self.fields[name]
        self.order_fields(["paper", "reference", "words", "file", "happened_on"])

    def values(self) -> dict[str, Any]:
        """Return what the service takes."""
        data = dict(self.cleaned_data)
        file = data.pop("file", None)
        return {**data, "file": Answer(str(file.name), file.read())} if file else data
