"""The forms of the people pages: fields, and the words for what is wrong with them."""

from typing import Any

from django import forms
from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError

from club.models import ApiToken, Club, Invitation, Member, Team
from club.people import Account

PASSWORD_HELP = "At least 10 characters. A few words that you remember do well."  # noqa: S105


class Form(forms.Form):
    """A form whose labels carry no colon, as all ours."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        kwargs.setdefault("label_suffix", "")
        super().__init__(*args, **kwargs)


def _username(**attrs: str) -> forms.CharField:
    return forms.CharField(
        label="Username",
        max_length=40,
        # A phone would write the first letter large and correct the rest.
        widget=forms.TextInput(
            attrs={"autocomplete": "username", "autocapitalize": "none", "spellcheck": "false", **attrs}
        ),
        validators=Member._meta.get_field("username").validators,
        help_text="Letters, digits and . @ + - _ to sign in with.",
    )


def _password(label: str, autocomplete: str, help_text: str = "") -> forms.CharField:
    return forms.CharField(
        label=label,
        max_length=200,
        strip=False,
        help_text=help_text,
        widget=forms.PasswordInput(attrs={"autocomplete": autocomplete}),
    )


class SignInForm(Form):
    username = forms.CharField(
        max_length=150,
        widget=forms.TextInput(
            attrs={"autocomplete": "username", "autocapitalize": "none", "spellcheck": "false"}
        ),
    )
    password = forms.CharField(
        max_length=1000, strip=False, widget=forms.PasswordInput(attrs={"autocomplete": "current-password"})
    )


class _NewPassword(Form):
    """Two equal, good new passwords."""

    def owner(self) -> Member:
        """Return whose password it is to be: it must not resemble their names."""
        raise NotImplementedError

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        first, second = data.get("password"), data.get("password_again")
        if first and second:
            if first != second:
                self.add_error("password_again", "The two passwords differ.")
            try:
                validate_password(first, self.owner())
            except ValidationError as error:
                self.add_error("password", error)
        return data


class AccountForm(_NewPassword):
    """What someone chooses when they get an account."""

    name = forms.CharField(
        label="Your name",
        max_length=80,
        help_text="The other members see it.",
        widget=forms.TextInput(attrs={"autocomplete": "name"}),
    )
    username = _username()
    password = _password("Password", "new-password", PASSWORD_HELP)
    password_again = _password("Password again", "new-password")

    def clean_username(self) -> str:
        username: str = self.cleaned_data["username"]
        return Member.normalize_username(username)

    def owner(self) -> Member:
        return Member(username=self.cleaned_data.get("username", ""), name=self.cleaned_data.get("name", ""))

    def account(self) -> Account:
        data = self.cleaned_data
        return Account(data["username"], data["name"], data["password"])


class SetUpForm(AccountForm):
    key = forms.CharField(widget=forms.HiddenInput)
    club = forms.CharField(label="The club’s name", max_length=80)
    field_order = ["key", "club", "name", "username", "password", "password_again"]


class PasswordForm(_NewPassword):
    current = _password("Your password now", "current-password")
    password = _password("New password", "new-password", PASSWORD_HELP)
    password_again = _password("New password again", "new-password")

    def __init__(self, member: Member, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.member = member
        if member.second_factor_since:
            self.fields["code"] = code_field()

    def owner(self) -> Member:
        return self.member


class ResetForm(_NewPassword):
    """A new password for whoever holds a reset link; a code too, where the member has a second factor."""

    password = _password("New password", "new-password", PASSWORD_HELP)
    password_again = _password("New password again", "new-password")

    def __init__(self, member: Member, *args: Any, asks_code: bool = False, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.member = member
        if asks_code:
            self.fields["code"] = code_field()

    def owner(self) -> Member:
        return self.member


def code_field(label: str = "Code from your app") -> forms.CharField:
    return forms.CharField(
        label=label,
        max_length=40,
        help_text="Six digits, or one of your recovery codes.",
        widget=forms.TextInput(attrs={"autocomplete": "one-time-code", "autocapitalize": "none"}),
    )


class CodeForm(Form):
    """The second step of signing in."""

    code = code_field()


class SetCodeForm(Form):
    """The first code of a new second factor."""

    sealed = forms.CharField(max_length=500, widget=forms.HiddenInput)
    code = forms.CharField(
        label="The code that the app shows now",
        max_length=40,
        widget=forms.TextInput(attrs={"autocomplete": "one-time-code", "inputmode": "numeric"}),
    )


class ProveForm(Form):
    """One's own password, and a code where there is a second factor, before something that matters."""

    current = _password("Your own password", "current-password")

    def __init__(self, member: Member, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if member.second_factor_since:
            self.fields["code"] = code_field()


class _ModelForm(forms.ModelForm):  # type: ignore[type-arg]
    def __init__(self, *args: Any, **kwargs: Any) -> None:
        kwargs.setdefault("label_suffix", "")
        super().__init__(*args, **kwargs)


class SettingsForm(_ModelForm):
    """A member's name, units and standing choice."""

    class Meta:
        model = Member
        fields = ["name", "length_unit", "temperature_unit", "weight_unit", "shares_thin_history"]
        labels = {
            "name": "Your name",
            "length_unit": "Lengths and depths",
            "temperature_unit": "Temperatures",
            "weight_unit": "Weights",
            "shares_thin_history": "Yes, show histories that rest on few people, me among them",
        }
        widgets = {
            "name": forms.TextInput(attrs={"autocomplete": "name"}),
            "length_unit": forms.RadioSelect,
            "temperature_unit": forms.RadioSelect,
            "weight_unit": forms.RadioSelect,
        }


class TokenForm(_ModelForm):
    class Meta:
        model = ApiToken
        fields = ["label"]
        labels = {"label": "What it is for"}
        help_texts = {"label": "A note to yourself, such as the script’s name."}


class ClubForm(_ModelForm):
    class Meta:
        model = Club
        fields = ["name", "about", "openings_per_day"]
        labels = {
            "name": "The club’s name",
            "about": "About the club",
            "openings_per_day": "New exact positions that one person may open in a day",
        }
        widgets = {"about": forms.Textarea(attrs={"rows": 5})}


_ROLES = [
    ("guest", "guest"),
    ("member", "member"),
    ("organiser", "organiser"),
]


class RoleForm(Form):
    role = forms.ChoiceField(choices=_ROLES, widget=forms.RadioSelect)
    is_checker = forms.BooleanField(label="Checks the proofs of others", required=False)
    guardian = forms.ModelChoiceField(
        Member.objects.none(),
        label="A junior’s guardian",
        required=False,
        empty_label="none: an adult",
        help_text="With a guardian they are a junior: outside their team, and but for organisers, they have no"
        " name, and their spots are shown exactly to the guardian and their team alone.",
    )

    def __init__(self, *args: Any, person: Member | None = None, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        able = Member.objects.filter(is_active=True, guardian=None).exclude(role=Member.Role.GUEST)
        self.fields["guardian"].queryset = able.exclude(pk=person.pk) if person else able  # type: ignore[attr-defined]

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        if data.get("role") == Member.Role.GUEST and data.get("is_checker"):
            self.add_error("is_checker", "A guest cannot check proofs.")
        if data.get("guardian") and (data.get("role") == Member.Role.ORGANISER or data.get("is_checker")):
            self.add_error("guardian", "A junior neither organises nor checks.")
        return data


class InviteForm(RoleForm):
    name = forms.CharField(
        label="Whom it is for",
        max_length=80,
        required=False,
        help_text="A note to yourself; they choose their own name.",
    )
    team = forms.ModelChoiceField(Team.objects.none(), required=False, empty_label="no team")
    field_order = ["name", "role", "is_checker", "team", "guardian"]

    def __init__(self, teams: list[Team], *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["team"].queryset = Team.objects.filter(pk__in=[team.pk for team in teams])  # type: ignore[attr-defined]

    def clean(self) -> dict[str, Any]:
        data = super().clean()
        if data.get("role") == Member.Role.GUEST and data.get("team"):
            self.add_error("team", "A guest cannot be in a team.")
        return data

    def fields_of_invitation(self) -> dict[str, Any]:
        """Return what `Invitation.issue` takes."""
        known = {field.name for field in Invitation._meta.fields}
        return {name: value for name, value in self.cleaned_data.items() if name in known}


class TeamForm(_ModelForm):
    def __init__(self, *args: Any, **kwargs: Any) -> None:
        # The club's own name has a field on the same page.
        super().__init__(*args, auto_id="team_%s", **kwargs)

    class Meta:
        model = Team
        fields = ["name"]
        labels = {"name": "Name of a new team"}


class AddToTeamForm(Form):
    member = forms.ModelChoiceField(Member.objects.none(), empty_label="choose a member")

    def __init__(self, team: Team, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        able = Member.objects.filter(is_active=True).exclude(role=Member.Role.GUEST).exclude(teams=team)
        self.fields["member"].queryset = able  # type: ignore[attr-defined]
