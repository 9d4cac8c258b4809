//! The least that a replay can cost: reading the same file with the same two libraries, every cell to a number.

use std::hint::black_box;
use std::path::Path;

/// Reads the whole file.
pub(crate) fn run(file: &Path) {
    let reader = csv::ReaderBuilder::new().buffer_capacity(1 << 18).from_path(file);
    let mut reader = reader.expect("the bench has just written it");
    let mut record = csv::ByteRecord::new();
    let mut sum = 0.0;
    while reader.read_byte_record(&mut record).expect("the bench has just written it") {
        for cell in record.iter().skip(1) {
            sum += fast_float2::parse::<f64, _>(cell).expect("the bench writes numbers only");
        }
    }
    black_box(sum);
}
