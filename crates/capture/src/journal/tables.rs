//! Runs of shots as Arrow tables, in the bytes of its stream format.

use std::sync::Arc;

use arrow::array::{
    Array, ArrayRef, BinaryArray, Float32Array, Float64Array, RecordBatch, UInt8Array, UInt16Array,
    UInt32Array, UInt64Array,
};
use arrow::ipc::{reader::StreamReader, writer::StreamWriter};
use barwright_job::screened::{Echo, EchoMark};

use super::Run;
use crate::echoes::{mark_of, number};
use crate::kept::KeptAscan;
use crate::peaks::{Peaks, ShotLine};

const COUPLED: u8 = 1;
const HIDDEN: u8 = 2;
/// Stands for "no shot".
const NO_SHOT: u64 = u64::MAX;

/// A run as bytes: the number of the next shot, the lengths of three tables, the tables.
pub(super) fn pack(run: &Run) -> Vec<u8> {
    let tables =
        [ipc(&lines(&run.peaks.lines)), ipc(&echoes(&run.peaks.echoes)), ipc(&kept(&run.kept))];
    let mut out = run.next_shot.to_le_bytes().to_vec();
    for t in &tables {
        out.extend((t.len() as u64).to_le_bytes());
    }
    for t in tables {
        out.extend(t);
    }
    out
}

/// A run from its bytes; the reason in words where they are none.
pub(super) fn unpack(bytes: &[u8]) -> Result<Run, String> {
    let short = || "a run is shorter than its tables".to_owned();
    let number = |k: usize| {
        let eight = bytes.get(8 * k..8 * k + 8).and_then(|b| b.try_into().ok());
        eight.map(u64::from_le_bytes).ok_or_else(short)
    };
    let mut at = 32_usize;
    let mut table = |k: usize| {
        let to = usize::try_from(number(k)?).ok().and_then(|n| at.checked_add(n));
        let part = to.and_then(|to| bytes.get(at..to)).ok_or_else(short)?;
        at += part.len();
        from_ipc(part)
    };
    let (lines, echoes, kept) = (table(1)?, table(2)?, table(3)?);
    let lines = lines_of(&lines)?;
    let echoes = echoes_of(&echoes, &lines)?;
    let peaks = Peaks { lines, echoes };
    Ok(Run { next_shot: number(0)?, peaks, kept: kept_of(&kept)? })
}

/// One record batch in Arrow's stream format.
pub(super) fn ipc(batch: &RecordBatch) -> Vec<u8> {
    let mut writer = StreamWriter::try_new(Vec::new(), &batch.schema())
        .expect("memory takes any schema of plain columns");
    writer.write(batch).expect("the batch is of its own schema");
    writer.into_inner().expect("memory takes the end as well")
}

pub(super) fn from_ipc(bytes: &[u8]) -> Result<RecordBatch, String> {
    let mut reader = StreamReader::try_new(bytes, None).map_err(|e| e.to_string())?;
    reader.next().ok_or("a table is empty")?.map_err(|e| e.to_string())
}

fn batch(columns: Vec<(&str, ArrayRef)>) -> RecordBatch {
    RecordBatch::try_from_iter(columns).expect("the columns are of equal length")
}

fn lines(l: &[ShotLine]) -> RecordBatch {
    let flags =
        |l: &ShotLine| (if l.coupled { COUPLED } else { 0 }) | (if l.hidden { HIDDEN } else { 0 });
    let surface = l.iter().map(|l| l.surface_shot.unwrap_or(NO_SHOT));
    batch(vec![
        ("shot", Arc::new(UInt64Array::from_iter_values(l.iter().map(|l| l.shot)))),
        ("beam", Arc::new(UInt32Array::from_iter_values(l.iter().map(|l| l.beam)))),
        ("pass", Arc::new(UInt16Array::from_iter_values(l.iter().map(|l| l.pass)))),
        ("time_s", Arc::new(Float64Array::from_iter_values(l.iter().map(|l| l.time_s)))),
        ("z_m", Arc::new(Float64Array::from_iter_values(l.iter().map(|l| l.z_m)))),
        ("turn_rad", Arc::new(Float32Array::from_iter_values(l.iter().map(|l| l.turn_rad)))),
        ("flags", Arc::new(UInt8Array::from_iter_values(l.iter().map(flags)))),
        ("surface_shot", Arc::new(UInt64Array::from_iter_values(surface))),
        ("gates", Arc::new(UInt8Array::from_iter_values(l.iter().map(|l| l.gates)))),
    ])
}

fn echoes(e: &[Echo]) -> RecordBatch {
    batch(vec![
        ("height_fsh", Arc::new(Float32Array::from_iter_values(e.iter().map(|e| e.height_fsh)))),
        (
            "after_surface_s",
            Arc::new(Float64Array::from_iter_values(e.iter().map(|e| e.after_surface_s))),
        ),
        ("mark", Arc::new(UInt8Array::from_iter_values(e.iter().map(|e| number(e.mark))))),
    ])
}

fn kept(k: &[KeptAscan]) -> RecordBatch {
    let bytes =
        k.iter().map(|a| a.samples.iter().flat_map(|s| s.to_le_bytes()).collect::<Vec<_>>());
    batch(vec![
        ("beam", Arc::new(UInt32Array::from_iter_values(k.iter().map(|a| a.beam)))),
        ("z_m", Arc::new(Float64Array::from_iter_values(k.iter().map(|a| a.z_m)))),
        ("turn_rad", Arc::new(Float32Array::from_iter_values(k.iter().map(|a| a.turn_rad)))),
        ("time_s", Arc::new(Float64Array::from_iter_values(k.iter().map(|a| a.time_s)))),
        (
            "first_sample_s",
            Arc::new(Float64Array::from_iter_values(k.iter().map(|a| a.first_sample_s))),
        ),
        ("ascan", Arc::new(BinaryArray::from_iter_values(bytes))),
    ])
}

fn column<'a, A: Array + 'static>(table: &'a RecordBatch, name: &str) -> Result<&'a A, String> {
    table
        .column_by_name(name)
        .and_then(|c| c.as_any().downcast_ref())
        .ok_or_else(|| format!("a table has no column {name} of its kind"))
}

fn lines_of(t: &RecordBatch) -> Result<Vec<ShotLine>, String> {
    let shot: &UInt64Array = column(t, "shot")?;
    let beam: &UInt32Array = column(t, "beam")?;
    let pass: &UInt16Array = column(t, "pass")?;
    let time_s: &Float64Array = column(t, "time_s")?;
    let z_m: &Float64Array = column(t, "z_m")?;
    let turn_rad: &Float32Array = column(t, "turn_rad")?;
    let flags: &UInt8Array = column(t, "flags")?;
    let surface: &UInt64Array = column(t, "surface_shot")?;
    let gates: &UInt8Array = column(t, "gates")?;
    let line = |i: usize| ShotLine {
        shot: shot.value(i),
        beam: beam.value(i),
        pass: pass.value(i),
        time_s: time_s.value(i),
        z_m: z_m.value(i),
        turn_rad: turn_rad.value(i),
        coupled: flags.value(i) & COUPLED != 0,
        surface_shot: Some(surface.value(i)).filter(|&s| s != NO_SHOT),
        hidden: flags.value(i) & HIDDEN != 0,
        gates: gates.value(i),
    };
    Ok((0..t.num_rows()).map(line).collect())
}

fn echoes_of(t: &RecordBatch, lines: &[ShotLine]) -> Result<Vec<Echo>, String> {
    let height_fsh: &Float32Array = column(t, "height_fsh")?;
    let after_surface_s: &Float64Array = column(t, "after_surface_s")?;
    let mark: &UInt8Array = column(t, "mark")?;
    let wanted: usize = lines.iter().map(|l| usize::from(l.gates)).sum();
    if wanted != t.num_rows() {
        return Err(format!("{} echoes for {wanted} gates", t.num_rows()));
    }
    let mut out = Vec::with_capacity(wanted);
    for l in lines {
        for gate in 0..l.gates {
            let i = out.len();
            let known: Option<EchoMark> = mark_of(mark.value(i));
            out.push(Echo {
                beam: l.beam,
                gate,
                z_m: l.z_m,
                turn_rad: l.turn_rad,
                height_fsh: height_fsh.value(i),
                after_surface_s: after_surface_s.value(i),
                mark: known.ok_or_else(|| format!("an echo is marked {}", mark.value(i)))?,
            });
        }
    }
    Ok(out)
}

fn kept_of(t: &RecordBatch) -> Result<Vec<KeptAscan>, String> {
    let beam: &UInt32Array = column(t, "beam")?;
    let z_m: &Float64Array = column(t, "z_m")?;
    let turn_rad: &Float32Array = column(t, "turn_rad")?;
    let time_s: &Float64Array = column(t, "time_s")?;
    let first_sample_s: &Float64Array = column(t, "first_sample_s")?;
    let ascan: &BinaryArray = column(t, "ascan")?;
    let samples =
        |i: usize| ascan.value(i).as_chunks().0.iter().map(|b| i16::from_le_bytes(*b)).collect();
    Ok((0..t.num_rows())
        .map(|i| KeptAscan {
            beam: beam.value(i),
            z_m: z_m.value(i),
            turn_rad: turn_rad.value(i),
            time_s: time_s.value(i),
            first_sample_s: first_sample_s.value(i),
            samples: samples(i),
        })
        .collect())
}
