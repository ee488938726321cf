//! The table of events in columns, compressed, a few thousand rows at a time.

use std::io::Write;
use std::sync::Arc;

use ::parquet::arrow::ArrowWriter;
use ::parquet::basic::{Compression, ZstdLevel};
use ::parquet::file::properties::WriterProperties;
use arrow_array::{
    ArrayRef, BooleanArray, DurationNanosecondArray, Float32Array, Float64Array, RecordBatch, StringArray,
    UInt8Array, UInt32Array, UInt64Array,
};
use arrow_schema::{Field, Schema};

use crate::base::{Event, Result};
use crate::source::Channel;
use crate::timeline::export::columns::{COLUMNS, operands, wall};
use crate::timeline::export::{Export, Place, unwritable};

/// Rows in a batch.
const BATCH: usize = 4096;

/// Rows in a group: what the writer holds in memory at most.
const GROUP: usize = 1 << 16;

/// A Parquet file of events.
pub(super) struct Columns<W: Write + Send> {
    writer: ArrowWriter<W>,
    held: Vec<(Event, Place)>,
    place: Place,
}

impl<W: Write + Send> Columns<W> {
    /// Writes to `out`.
    ///
    /// # Errors
    /// `System` when writing fails.
    pub(super) fn new(out: W) -> Result<Self> {
        let level = ZstdLevel::try_new(3).map_err(unwritable)?;
        let properties = WriterProperties::builder()
            .set_compression(Compression::ZSTD(level))
            .set_max_row_group_row_count(Some(GROUP))
            .build();
        let schema = batch(&[])?.schema();
        let writer = ArrowWriter::try_new(out, schema, Some(properties)).map_err(unwritable)?;
        Ok(Self { writer, held: Vec::with_capacity(BATCH), place: Place::default() })
    }

    fn hand_on(&mut self) -> Result<()> {
        self.writer.write(&batch(&self.held)?).map_err(unwritable)?;
        self.held.clear();
        Ok(())
    }
}

impl<W: Write + Send> Export for Columns<W> {
    fn begin(&mut self, place: Place, _channels: &[Channel]) -> Result<()> {
        self.place = place;
        Ok(())
    }

    fn event(&mut self, event: &Event) -> Result<()> {
        self.held.push((event.clone(), self.place));
        if self.held.len() >= BATCH { self.hand_on() } else { Ok(()) }
    }

    fn finish(mut self: Box<Self>) -> Result<()> {
        self.hand_on()?;
        self.writer.close().map_err(unwritable)?;
        Ok(())
    }
}

fn batch(rows: &[(Event, Place)]) -> Result<RecordBatch> {
    let arrays: Vec<ArrayRef> = COLUMNS.iter().map(|name| array(name, rows)).collect();
    let fields: Vec<Field> = COLUMNS
        .iter()
        .zip(&arrays)
        .map(|(name, array)| {
            Field::new(*name, array.data_type().clone(), !matches!(*name, "t" | "path" | "kind"))
        })
        .collect();
    RecordBatch::try_new(Arc::new(Schema::new(fields)), arrays).map_err(unwritable)
}

fn array(column: &str, rows: &[(Event, Place)]) -> ArrayRef {
    let events = || rows.iter().map(|(event, _)| event);
    match column {
        "stage" => Arc::new(
            rows.iter()
                .map(|(_, place)| place.stage.and_then(|stage| u32::try_from(stage).ok()))
                .collect::<UInt32Array>(),
        ),
        "t" => Arc::new(DurationNanosecondArray::from_iter_values(events().map(|event| event.t.0))),
        "at" => Arc::new(rows.iter().map(|(event, place)| wall(event, *place)).collect::<StringArray>()),
        "path" => Arc::new(StringArray::from_iter_values(events().map(|event| event.path.word()))),
        "kind" => Arc::new(StringArray::from_iter_values(events().map(|event| event.kind.word()))),
        "key" => Arc::new(events().map(|event| event.key.map(|key| key.name())).collect::<StringArray>()),
        "held" => {
            Arc::new(events().map(|event| event.held.map(|held| held.0)).collect::<DurationNanosecondArray>())
        }
        "operands" => {
            Arc::new(events().map(|event| event.operands.as_deref().map(operands)).collect::<StringArray>())
        }
        "line" => Arc::new(events().map(|event| event.line.as_deref()).collect::<StringArray>()),
        "counts" => Arc::new(events().map(|event| event.counts).collect::<UInt32Array>()),
        "volts" => Arc::new(events().map(|event| event.volts).collect::<Float64Array>()),
        "format" => Arc::new(events().map(|event| event.format.as_deref()).collect::<StringArray>()),
        "address" => Arc::new(events().map(|event| event.address).collect::<UInt32Array>()),
        "command" => Arc::new(events().map(|event| event.command).collect::<UInt32Array>()),
        "toggle" => Arc::new(events().map(|event| event.toggle).collect::<BooleanArray>()),
        "bits" => Arc::new(events().map(|event| event.bits).collect::<UInt8Array>()),
        "raw" => Arc::new(events().map(|event| event.raw.as_deref()).collect::<StringArray>()),
        "initiator" => Arc::new(events().map(|event| event.initiator).collect::<UInt8Array>()),
        "destination" => Arc::new(events().map(|event| event.destination).collect::<UInt8Array>()),
        "opcode" => Arc::new(events().map(|event| event.opcode).collect::<UInt8Array>()),
        "ack" => Arc::new(events().map(|event| event.ack).collect::<BooleanArray>()),
        "item" => Arc::new(events().map(|event| event.item.as_deref()).collect::<StringArray>()),
        "value" => Arc::new(events().map(|event| event.value.as_deref()).collect::<StringArray>()),
        "note" => Arc::new(events().map(|event| event.note.as_deref()).collect::<StringArray>()),
        "capture" => Arc::new(events().map(|event| event.capture.as_deref()).collect::<StringArray>()),
        "channel" => Arc::new(events().map(|event| event.channel.as_deref()).collect::<StringArray>()),
        "offset" => Arc::new(events().map(|event| event.offset).collect::<UInt64Array>()),
        "length" => Arc::new(events().map(|event| event.length).collect::<UInt32Array>()),
        "decoder" => Arc::new(events().map(|event| event.decoder.as_deref()).collect::<StringArray>()),
        // The one that is left: the quality.
        _ => Arc::new(events().map(|event| event.quality).collect::<Float32Array>()),
    }
}
