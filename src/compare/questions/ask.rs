//! All questions, each asked of the rows that it is meant for.

use super::answer::{cannot, has_values};
use super::drift::drift;
use super::firmware::firmware;
use super::intermittent::intermittent;
use super::specimen::specimen;
use super::tester::tester;
use crate::compare::comparison::{Answer, Question};
use crate::compare::season::Season;
use crate::compare::unpooled::UnpooledRow;

/// All five, in this order.
pub fn ask(season: &Season) -> Vec<Question> {
    let main: Vec<&UnpooledRow> = season.rows.iter().filter(|row| row.main && has_values(row)).collect();
    let of_rows = |answer: fn(&Season, &UnpooledRow) -> Result<Answer, String>| -> Vec<Answer> {
        main.iter().map(|row| answer(season, row).unwrap_or_else(|why| cannot(&row.name, &why))).collect()
    };
    let question = |key: &str, asks: &str, answers| Question { key: key.to_owned(), asks: asks.to_owned(), answers };
    vec![
        question("specimen", "Is it this specimen or the model?", together(of_rows(specimen))),
        question("firmware", "Did the firmware change it?", together(firmware(season, &main))),
        question("tester", "Does it depend on who tests?", together(of_rows(tester))),
        question("intermittent", "Is it intermittent?", intermittent(season)),
        question("drift", "Does it drift over the months?", together(of_rows(drift))),
    ]
}

/// An answer that is the same for every row is given once.
fn together(answers: Vec<Answer>) -> Vec<Answer> {
    let Some(first) = answers.first() else {
        return vec![cannot(
            "steady errors and contrasts",
            "no session has a value with an uncertainty there; the protocol needs steady blocks or contrasts",
        )];
    };
    if answers.len() > 1 && answers.iter().all(|a| !a.told && a.says == first.says) {
        return vec![Answer { of: "steady errors and contrasts".to_owned(), ..first.clone() }];
    }
    answers
}
