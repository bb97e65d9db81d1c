//! Reader of the reference cases in `tests/reference/`: a table of arguments and a table of expected values.

#![allow(dead_code)] // each test file uses its part

use std::collections::BTreeMap;

/// One case: `data.csv` and `expected.toml` of its folder.
pub struct Reference {
    pub rows: Vec<BTreeMap<String, String>>,
    expected: toml::Table,
}

impl Reference {
    pub fn read(case: &str) -> Reference {
        let folder = format!("{}/tests/reference/{case}", env!("CARGO_MANIFEST_DIR"));
        let text = std::fs::read_to_string(format!("{folder}/expected.toml")).unwrap();
        let mut reader = csv::Reader::from_path(format!("{folder}/data.csv")).unwrap();
        let rows: Vec<BTreeMap<String, String>> = reader.deserialize().map(Result::unwrap).collect();
        assert!(!rows.is_empty(), "{case} has rows");
        Reference {
            rows,
            expected: text.parse().unwrap(),
        }
    }

    /// One column of the table as numbers.
    pub fn column(&self, name: &str) -> Vec<f64> {
        self.rows.iter().map(|row| number(row, name).unwrap()).collect()
    }

    fn value(&self, table: &str, name: &str) -> &toml::Value {
        self.expected
            .get(table)
            .and_then(|table| table.get(name))
            .unwrap_or_else(|| panic!("[{table}] {name}"))
    }

    /// A number of a table such as `expected`.
    pub fn number(&self, table: &str, name: &str) -> f64 {
        float(self.value(table, name))
    }

    /// A number at the head of the file.
    pub fn number_at(&self, name: &str) -> f64 {
        float(&self.expected[name])
    }

    /// A list of numbers of a table.
    pub fn list(&self, table: &str, name: &str) -> Vec<f64> {
        self.value(table, name).as_array().unwrap().iter().map(float).collect()
    }

    /// Names and numbers of a table whose names start so.
    pub fn starting(&self, table: &str, start: &str) -> Vec<(String, f64)> {
        let table = self.expected[table].as_table().unwrap();
        let named = table
            .iter()
            .filter_map(|(name, value)| Some((name.strip_prefix(start)?.to_owned(), float(value))));
        named.collect()
    }
}

/// A cell as a number; `None` if blank.
pub fn number(row: &BTreeMap<String, String>, name: &str) -> Option<f64> {
    let cell = row[name].trim();
    (!cell.is_empty()).then(|| cell.parse().unwrap())
}

fn float(value: &toml::Value) -> f64 {
    value
        .as_float()
        .or_else(|| value.as_integer().map(|whole| whole as f64))
        .unwrap()
}

/// Fails unless `got` agrees with `want` to the relative tolerance.
pub fn close(what: &str, got: f64, want: f64, relative: f64) {
    assert!(
        (got - want).abs() <= relative * want.abs(),
        "{what}: {got:e} against {want:e}"
    );
}
