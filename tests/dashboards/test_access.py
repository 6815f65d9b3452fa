"""Only who may is answered: by token and role, or from this machine."""

from __future__ import annotations

import base64
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboards.access import THIS_MACHINE, Access, Caller, Refusal, Role, new_token, read_access
from detect.errors import InputError


@pytest.fixture
def tokens(tmp_path: Path) -> tuple[Access, dict[str, str]]:
    """Read a file with a token for looking and one for everything."""
    look, its_table = new_token("tablet", [Role.VIEW])
    everything, other_table = new_token("office", list(Role))
    file = tmp_path / "tokens.toml"
    file.write_text(its_table + other_table)
    assert look not in file.read_text()
    return read_access(file), {"look": look, "everything": everything}


def test_a_token_is_good_for_its_roles(tokens: tuple[Access, dict[str, str]]) -> None:
    """Looking comes with every token, anything else only with its role, from wherever it is asked."""
    access, words = tokens
    tablet, office = (Caller(local=False, authorization=f"Bearer {words[k]}") for k in ("look", "everything"))
    assert [access.refusal(tablet, role) for role in Role] == [None, Refusal.FORBIDDEN, Refusal.FORBIDDEN]
    assert [access.refusal(office, role) for role in Role] == [None, None, None]


@pytest.mark.source("RFC 7617, section 2: user-id, colon and password in base64 (from memory)")
def test_a_browser_may_give_the_token_as_password(tokens: tuple[Access, dict[str, str]]) -> None:
    """Basic authentication carries the same token, under any user name."""
    access, words = tokens
    basic = base64.b64encode(f"milker:{words['look']}".encode()).decode()
    assert access.refusal(Caller(authorization=f"Basic {basic}"), Role.VIEW) is None


@given(
    authorization=st.one_of(st.text(), st.text().map("Bearer {}".format), st.text().map("Basic {}".format))
)
def test_no_other_words_are_a_token(authorization: str) -> None:
    """Whatever stands in the header, without the token it is unknown, also from this machine."""
    access = Access({bytes(32): frozenset(Role)})
    assert access.refusal(Caller(authorization=authorization), Role.VIEW) is Refusal.UNKNOWN


@pytest.mark.parametrize(
    ("caller", "refusal"),
    [
        (Caller(), None),
        (Caller(host="127.0.0.1:8420"), None),
        (Caller(host="localhost"), None),
        (Caller(host="[::1]:8420"), None),
        (Caller(host="farm.example:8420"), Refusal.REBOUND),
        (Caller(local=False), Refusal.REMOTE),
    ],
)
def test_without_tokens_this_machine_may_all(caller: Caller, refusal: Refusal | None) -> None:
    """Local callers are answered unless a web page of a stranger has lent this machine its name."""
    assert {THIS_MACHINE.refusal(caller, role) for role in Role} == {refusal}


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "no token"),
        ("[a\n", "not TOML"),
        ('[a]\nroles = ["view"]\n', "a: needs roles"),
        ('[a]\nroles = ["king"]\nsha256 = "00"\n', "king"),
        ('[a]\nroles = ["view"]\nsha256 = "00"\n', "64 digits"),
        ('[a]\nroles = []\nsha256 = "' + "00" * 32 + '"\n', "needs a role"),
        ("a = 1\n", "a: needs roles"),
    ],
)
def test_a_wrong_file_of_tokens_is_named(tmp_path: Path, text: str, said: str) -> None:
    """What is wrong in the file is said in one line with the token's name."""
    file = tmp_path / "tokens.toml"
    file.write_text(text)
    with pytest.raises(InputError, match=said) as error:
        read_access(file)
    assert "\n" not in str(error.value).replace("\\n", "")


def test_a_missing_file_of_tokens_is_the_users_error(tmp_path: Path) -> None:
    """It is no reason to serve without tokens."""
    with pytest.raises(InputError, match="cannot be read"):
        read_access(tmp_path / "none.toml")
