//! Digests as files: one for each form, named by the date.

use super::{Form, FrozenDay, render};
use std::io::Write;
use std::path::Path;

/// Writes a day as `DATE.txt`, `DATE.json` and `DATE.html`; a reader never sees half a file.
///
/// # Errors
/// When the folder can't be made or written.
pub fn write_files(folder: &Path, day: &FrozenDay) -> std::io::Result<()> {
    std::fs::create_dir_all(folder)?;
    for form in Form::ALL {
        let ending = form.ending();
        let path = folder.join(format!("{}.{ending}", day.date));
        let half = folder.join(format!(".{}.{ending}.part", day.date));
        let mut file = std::fs::File::create(&half)?;
        file.write_all(render(day, form).as_bytes())?;
        file.sync_data()?;
        std::fs::rename(&half, &path)?;
    }
    Ok(())
}
