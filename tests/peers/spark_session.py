"""One Spark session in local mode that answers, line by line, until its input ends.

Run by the Python of tests/peers/environments/spark.txt, with the folders of the tests' own
libraries as arguments: they come last, so that Spark's own environment goes before. Each line is a
JSON object; each answer a line `answer JSON`.
"""

from __future__ import annotations

import json
import sys
from typing import Any

sys.path += sys.argv[1:]

from deltalake import DeltaTable
from py4j.protocol import Py4JJavaError
from pyspark.errors import PySparkException
from pyspark.sql import DataFrame, SparkSession
from pyspark.sql import functions as f

from edgeflash.fleet.engines import Engine, answer, spark_frame
from edgeflash.fleet.questions import QUESTIONS


def question(asked: dict[str, Any]) -> Any:
    """The rows of a fleet question, by the same code as `edgeflash fleet --engine spark`."""
    return answer(QUESTIONS[asked["question"]], asked["root"], Engine.SPARK, {})


def described(frame: DataFrame, asked: dict[str, Any]) -> Any:
    """Types, and figures of the rows up to a time; the key columns come as text."""
    moment = f.unix_micros("finished_at")
    rows = frame.where(moment < asked["until_us"])
    keys = [f.concat_ws("/", *(f.col(k).cast("string") for k in asked["key"]))]
    value = asked["value"]
    found = rows.agg(
        f.count("*").alias("rows"),
        f.count_distinct(*keys).alias("keys"),
        f.min(moment).alias("first_us"),
        f.max(moment).alias("last_us"),
        f.count(value).alias("values"),
        f.coalesce(f.sum(f.isnan(value).cast("int")), f.lit(0)).alias("nans"),
        f.sum(value).alias("sum"),
    )
    fields = {field.name: field for field in frame.schema.fields}
    return {
        "types": {name: fields[name].dataType.simpleString() for name in asked["columns"]},
        "unit": fields[value].metadata.get("unit"),
        **found.first().asDict(),
    }


def main() -> None:
    """Answers until the input ends."""
    spark = (
        SparkSession.builder.master("local[2]")
        .config("spark.ui.enabled", "false")
        .config("spark.driver.host", "127.0.0.1")
        .config("spark.driver.bindAddress", "127.0.0.1")
        .config("spark.sql.shuffle.partitions", "1")
        .config("spark.sql.codegen.wholeStage", "false")
        # Another zone than UTC: instants must be the same all the same.
        .config("spark.sql.session.timeZone", "Asia/Kathmandu")
        .config("spark.sql.sources.partitionColumnTypeInference.enabled", "false")
        .getOrCreate()
    )
    spark.sparkContext.setLogLevel("OFF")
    print("ready", flush=True)
    for line in sys.stdin:
        asked = json.loads(line)
        try:
            if "question" in asked:
                found = question(asked)
            elif "delta" in asked:
                frame = spark_frame(spark, DeltaTable(asked["delta"]))
                found = described(frame, asked)
            else:
                options = spark.read.option("mergeSchema", "true")
                found = described(options.parquet(asked["folder"]), asked)
        except (PySparkException, Py4JJavaError) as error:
            found = {"error": str(error)[:300]}
        print("answer " + json.dumps(found), flush=True)
    spark.stop()


if __name__ == "__main__":
    main()
