"""The JSON keeps to what it says of itself: no fault of the program, no answer that was not told.

schemathesis (a library from the registry) makes requests from the description, fit and unfit.
"""

from __future__ import annotations

import hypothesis
import pytest
import schemathesis
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import response_schema_conformance, status_code_conformance

from .conftest import Running

EXAMPLES = 20


@pytest.fixture(scope="module")
def system(board: Running) -> dict[str, str]:
    """Headers of a program that may send whatever is described."""
    return {"authorization": f"Bearer {board.door.accounts.give_key('tester')}"}


def described(board: Running, headers: dict[str, str]) -> schemathesis.BaseSchema:
    return schemathesis.openapi.from_url(f"{board.address}/api/openapi.json", headers=headers)


def test_every_path_is_described(board: Running, system: dict[str, str]):
    told = {operation.ok().label for operation in described(board, system).get_all_operations()}
    assert told == {
        "GET /api/session", "GET /api/vaults/{vault_id}", "POST /api/results", "POST /api/moves",
        "POST /api/feeds/{name}", "POST /api/photos/{visit_id}", "POST /api/tiles/vaults",
        "GET /api/tiles/{level}/{column}/{row}", "GET /api/streets/{level}/{column}/{row}",
    }  # fmt: skip


def test_nothing_that_is_sent_makes_it_fail_or_answer_otherwise(
    board: Running, system: dict[str, str]
):
    for found in described(board, system).get_all_operations():
        operation = found.ok()

        @hypothesis.given(case=operation.as_strategy())
        @hypothesis.settings(
            max_examples=EXAMPLES, deadline=None, derandomize=True,
            suppress_health_check=list(hypothesis.HealthCheck),
        )  # fmt: skip
        def sends(case: schemathesis.Case) -> None:
            answer = case.call(headers=system)
            case.validate_response(
                answer,
                checks=[
                    not_a_server_error, status_code_conformance, response_schema_conformance,
                ],
            )  # fmt: skip

        sends()
