"""The figures of a running demo against OpenMetrics 1.0, as the parser of the prometheus_client package reads it."""

import pytest
from prometheus_client.openmetrics.parser import text_string_to_metric_families


@pytest.fixture(scope="module")
def answer(demo):
    headers, text = demo.get("/metrics")
    return headers["Content-Type"], text.decode()


def test_the_figures_are_openmetrics(answer):
    kind, text = answer
    assert kind == "application/openmetrics-text; version=1.0.0; charset=utf-8"
    families = {family.name: family for family in text_string_to_metric_families(text)}
    assert families["ullage_polls"].type == "counter"
    assert families["ullage_poll_seconds"].type == "histogram"
    assert {sample.labels["state"] for sample in families["ullage_devices"].samples} == {"answering", "silent", "dark"}
    assert all(family.documentation for family in families.values())
    assert "Bobbin" not in text


def test_a_planted_mistake_is_found(answer):
    _, text = answer
    for wrong in [text.replace("# EOF\n", ""), text.replace("_total{outcome", "{outcome", 1), text + "x 1\n"]:
        with pytest.raises(ValueError):
            list(text_string_to_metric_families(wrong))
