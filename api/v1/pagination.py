"""Pages by cursor: stable while others write, and no count of rows one may not see."""

from rest_framework.pagination import CursorPagination


class ByCursor(CursorPagination):
    page_size = 100
    max_page_size = 1000
    page_size_query_param = "page_size"
    ordering = "id"
