//! Why a call was not answered: problem details of RFC 9457.

use axum::{
    Json,
    http::{HeaderValue, StatusCode, header},
    response::{IntoResponse, Response},
};
use serde::Serialize;
use utoipa::ToSchema;

use super::tokens::Scope;
use crate::{acting::ActError, files::FileError};

/// Why a call was not answered, as RFC 9457 has it.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct Problem {
    /// What kind of problem it is, in a few words.
    pub title: String,
    /// The status of the answer.
    #[schema(minimum = 400, maximum = 599)]
    pub status: u16,
    /// What is wrong with this call.
    pub detail: String,
    /// What helps, where it is known.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub hint: Option<String>,
}

impl Problem {
    fn new(status: StatusCode, detail: impl Into<String>) -> Self {
        let title = status.canonical_reason().unwrap_or("problem").to_owned();
        Self { title, status: status.as_u16(), detail: detail.into(), hint: None }
    }

    fn hint(self, hint: impl Into<String>) -> Self {
        Self { hint: Some(hint.into()), ..self }
    }

    pub fn no_token() -> Self {
        Self::new(StatusCode::UNAUTHORIZED, "the call shows no token that is in force")
            .hint("authorization: Bearer TOKEN; `barwright tokens make` makes one")
    }

    pub fn no_scope(scope: Scope) -> Self {
        let scope = scope.word();
        Self::new(StatusCode::FORBIDDEN, format!("the token has not the scope {scope}"))
            .hint(format!("make one with --scope {scope}"))
    }

    pub fn no_such_address() -> Self {
        Self::new(StatusCode::NOT_FOUND, "nothing lies at this address")
            .hint("/api/v1/openapi.json says what there is")
    }

    pub fn no_such_method() -> Self {
        Self::new(StatusCode::METHOD_NOT_ALLOWED, "this address does not answer this method")
            .hint("/api/v1/openapi.json says what there is")
    }

    pub fn absent(what: impl Into<String>) -> Self {
        Self::new(StatusCode::NOT_FOUND, what)
    }

    pub fn unusable(what: impl Into<String>) -> Self {
        Self::new(StatusCode::UNPROCESSABLE_ENTITY, what)
    }

    pub fn bad_request(what: impl Into<String>) -> Self {
        Self::new(StatusCode::BAD_REQUEST, what)
    }

    /// Of a body that is not what was asked for.
    pub fn of_body(status: StatusCode, what: String) -> Self {
        // A form that does not fit is a fault of the call; what an order may say is another matter.
        let status = if status == StatusCode::UNPROCESSABLE_ENTITY {
            StatusCode::BAD_REQUEST
        } else {
            status
        };
        Self::new(status, what)
    }

    pub fn broken_off() -> Self {
        Self::new(StatusCode::INTERNAL_SERVER_ERROR, "answering broke off")
    }

    pub fn of_ledger(what: &str, hint: Option<&str>) -> Self {
        let problem = Self::new(StatusCode::SERVICE_UNAVAILABLE, what);
        hint.map_or(problem.clone(), |hint| problem.hint(hint))
    }

    pub fn of_file(e: &FileError) -> Self {
        let status = match e {
            FileError::Absent { .. } => StatusCode::NOT_FOUND,
            _ => StatusCode::INTERNAL_SERVER_ERROR,
        };
        let problem = Self::new(status, e.to_string());
        e.hint().map_or(problem.clone(), |hint| problem.hint(hint))
    }

    pub fn of_act(e: &ActError) -> Self {
        let problem = Self::new(e.status(), e.to_string());
        e.hint().map_or(problem.clone(), |hint| problem.hint(hint))
    }
}

impl IntoResponse for Problem {
    fn into_response(self) -> Response {
        let status = StatusCode::from_u16(self.status).unwrap_or(StatusCode::INTERNAL_SERVER_ERROR);
        let mut answer = (status, Json(self)).into_response();
        let kind = HeaderValue::from_static("application/problem+json");
        answer.headers_mut().insert(header::CONTENT_TYPE, kind);
        if status == StatusCode::UNAUTHORIZED {
            let way = HeaderValue::from_static("Bearer");
            answer.headers_mut().insert(header::WWW_AUTHENTICATE, way);
        }
        answer
    }
}
