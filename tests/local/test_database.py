import pytest
from django.db import connection

@pytest.mark.django_db
def test_x():
    with connection.cursor() as c:
        c.execute("select version()")
        print(c.fetchone())
