import pytest

from tests.tools import need, run


def test_what_is_there_is_found_and_run() -> None:
    need("true", "echo")
    assert run("echo", "Größe", 1) == "Größe 1\n"


def test_what_is_missing_skips_at_home_and_fails_on_ci(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("CI", raising=False)
    with pytest.raises(pytest.skip.Exception, match="no-such-program"):
        need("true", "no-such-program")
    monkeypatch.setenv("CI", "true")
    with pytest.raises(pytest.fail.Exception, match="no-such-program"):
        need("no-such-program")


def test_a_program_that_fails_fails_the_test() -> None:
    with pytest.raises(pytest.fail.Exception, match="ended with 1"):
        run("false")
    assert run("false", check=False) == ""
