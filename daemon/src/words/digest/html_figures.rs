//! The tables of figures: one for each meter.

use super::{Extremes, Page, TOLD, least_matters, measured_words, meter_words, percent, unseen_words, value};
use kvarden_core::digest::MeterDay;
use maud::{Markup, html};

impl Page<'_> {
    /// The figures of every meter.
    pub(super) fn figure_tables(&self) -> Markup {
        let ours = |transformer: &str| {
            let transformer = transformer.to_owned();
            self.figures.meters.iter().filter(move |meter| meter.transformer == transformer)
        };
        html! {
            section {
                h2 { "Figures" }
                div.tables {
                    @for meter in self.day.transformers.iter().flat_map(|transformer| ours(transformer)) {
                        (self.figure_table(meter))
                    }
                }
            }
        }
    }

    fn figure_table(&self, meter: &MeterDay) -> Markup {
        let rows: Vec<Extremes<'_>> =
            TOLD.iter().filter_map(|what| Extremes::of(meter, *what, self.shows())).collect();
        html! {
            div.table {
                h3 { (meter.transformer) ", " (meter_words(&meter.meter, meter.feeder.as_deref())) ": " (measured_words(meter)) }
                @if let Some(unseen) = unseen_words(meter) { p.soft { (unseen) } }
                @if !rows.is_empty() {
                    table {
                        thead { tr { th scope="col" { "Quantity" } th scope="col" { "mean" } th scope="col" { "least" } th scope="col" { "peak" } th scope="col" { "share" } } }
                        tbody { @for row in &rows { (self.figure_row(row)) } }
                    }
                }
            }
        }
    }

    fn figure_row(&self, row: &Extremes<'_>) -> Markup {
        let (highest, lowest) = (row.highest, row.lowest);
        let facts = highest.quantity.what.facts();
        html! {
            tr {
                td { (facts.words) }
                td { (value(highest.quantity, highest.mean, self.shows())) }
                td {
                    (row.least())
                    @if least_matters(highest.quantity.what) { " " span.at { (self.clock(lowest.min_at)) } }
                }
                td { (row.most()) " " span.at { (self.clock(highest.max_at)) } }
                td { (percent(highest.measured)) }
            }
        }
    }
}
